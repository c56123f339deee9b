with
told as (
    select
        courses.site,
        {{ month_of(known_on('courses.last_date')) }} as month,
        courses.course_id,
        home_care.halved,
        case when home_care.halved is not null then home_care.minutes_before end as minutes_before,
        case when home_care.halved is not null then home_care.minutes_after end as minutes_after
    from {{ ref('courses') }} as courses
    left join {{ ref('course_home_care') }} as home_care
        on courses.course_id = home_care.course_id
    where courses.is_mature
)

select
    site_months.site,
    site_months.month,
    count(told.course_id) as courses,
    count(told.halved) as measured,
    count(*) filter (where told.halved) as halved,
    cast({{ median('told.minutes_before') }} as double) as median_minutes_before,
    cast({{ median('told.minutes_after') }} as double) as median_minutes_after
from {{ ref('site_months') }} as site_months
left join told on site_months.site = told.site and site_months.month = told.month
group by site_months.site, site_months.month
