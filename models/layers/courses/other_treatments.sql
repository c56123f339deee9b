with courses as (
    select
        course_id,
        site,
        patient_key,
        min(session_date) as first_date
    from {{ ref('sessions') }}
    where course_id is not null
    group by course_id, site, patient_key
),

followed as (
    select
        courses.course_id,
        min(treatments.started_on) as anywhere,
        min(treatments.started_on) filter (where coalesce(treatments.eye, 'both') <> 'left')
            as on_right,
        min(treatments.started_on) filter (where coalesce(treatments.eye, 'both') <> 'right')
            as on_left
    from courses
    inner join {{ ref('stg_treatments') }} as treatments
        on
            courses.site = treatments.site
            and courses.patient_key = treatments.patient_key
            and courses.first_date <= treatments.started_on
    group by courses.course_id
)

select
    course_id,
    'both' as eye,
    anywhere as started_on
from followed
union all
select
    course_id,
    'right' as eye,
    on_right as started_on
from followed
where on_right is not null
union all
select
    course_id,
    'left' as eye,
    on_left as started_on
from followed
where on_left is not null
