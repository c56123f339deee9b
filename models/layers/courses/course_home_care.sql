{{ config(alias='home_care') }}

with minutes as (
    select
        course_id,
        max(value) filter (where evaluation = 'baseline') as minutes_before,
        max(value) filter (where evaluation = 'final') as minutes_after
    from {{ ref('evaluations') }}
    where measure = 'home_care_minutes_per_day'
    group by course_id
)

select
    courses.course_id,
    courses.site,
    courses.patient_key,
    minutes.minutes_before,
    minutes.minutes_after,
    case
        when
            minutes.minutes_before > 0
            and minutes.minutes_after is not null
            and symptoms.outcome in {{ evaluable_outcomes() }}
            then
                2 * minutes.minutes_after <= minutes.minutes_before
                and symptoms.outcome <> 'worsened'
    end as halved
from {{ ref('courses') }} as courses
left join minutes on courses.course_id = minutes.course_id
left join {{ ref('responses') }} as symptoms
    on courses.course_id = symptoms.course_id and symptoms.rule = 'symptoms'
