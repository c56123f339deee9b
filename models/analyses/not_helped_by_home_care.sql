-- Of patients who came to treatment with some home care, how many were still moderate or severe?
with
came as (
    select
        courses.site,
        courses.course_id,
        courses.symptoms_band in ('moderate', 'severe') as not_helped
    from {{ ref('courses') }} as courses
    inner join {{ ref('course_home_care') }} as home_care
        on courses.course_id = home_care.course_id
    where
        courses.course_kind = 'first'
        and courses.symptoms_band <> 'unknown'
        and home_care.minutes_before > 0
),

counted as (
    select
        {{ level('site') }} as site,
        count(*) as patients,
        count(*) filter (where not_helped) as not_helped
    from came
    group by cube(site)
)

select
    site,
    patients,
    not_helped,
    cast(not_helped as double) / patients as not_helped_share,
    {{ wilson_low('not_helped', 'patients') }} as share_low,
    {{ wilson_high('not_helped', 'patients') }} as share_high
from counted
order by site
