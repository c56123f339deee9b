-- Do those who waited longer for their first session complete less often?
with
first_visits as (
    select
        site,
        patient_key,
        min(visit_date) as first_visit
    from {{ ref('stg_visits') }}
    group by site, patient_key
),

waits as (
    select
        courses.state,
        {{ days_between('first_visits.first_visit', 'courses.first_date') }} as days
    from {{ ref('courses') }} as courses
    inner join first_visits
        on
            courses.site = first_visits.site
            and courses.patient_key = first_visits.patient_key
            and courses.first_date >= first_visits.first_visit
    where courses.course_number = 1 and courses.state in ('completed', 'stopped')
),

counted as (
    select
        case
            when days <= 14 then '0 to 14 days'
            when days <= 42 then '15 to 42 days'
            else '43 days or more'
        end as waited,
        count(*) as courses,
        count(*) filter (where state = 'completed') as completed
    from waits
    group by 1
)

select
    waited,
    courses,
    completed,
    cast(completed as double) / courses as completed_share,
    {{ wilson_low('completed', 'courses') }} as share_low,
    {{ wilson_high('completed', 'courses') }} as share_high
from counted
order by waited
