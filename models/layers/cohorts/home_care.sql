with
counted as (
    select
        courses.site,
        courses.patient_key,
        courses.symptoms_band as grade,
        courses.protocol,
        courses.course_kind,
        1 as courses,
        case when home_care.halved is not null then 1 else 0 end as measured,
        case when home_care.halved then 1 else 0 end as halved,
        home_care.minutes_before,
        home_care.minutes_after
    from {{ ref('courses') }} as courses
    left join {{ ref('course_home_care') }} as home_care
        on courses.course_id = home_care.course_id
    where courses.is_mature
),

totals as (
    {{ clustered_totals(
        'counted',
        keys=[],
        dimensions=['grade', 'protocol', 'course_kind'],
        counts=['courses', 'measured', 'halved'],
        events='halved',
        of='measured',
    ) }}
),

minutes as (
    select
        {{ level('grade') }} as grade,
        {{ level('site') }} as site,
        {{ level('protocol') }} as protocol,
        {{ level('course_kind') }} as course_kind,
        {{ median('minutes_before') }} as minutes_before,
        {{ median('minutes_after') }} as minutes_after
    from counted
    where measured = 1
    group by cube(grade, site, protocol, course_kind)
),

shares as (
    select
        totals.*,
        cast(totals.halved as double) / nullif(totals.measured, 0) as halved_share,
        minutes.minutes_before,
        minutes.minutes_after
    from totals
    left join minutes
        on {{ same(['grade', 'site', 'protocol', 'course_kind'], 'totals', 'minutes') }}
    where totals.course_kind in ('first', 'all')
)

select
    grade,
    site,
    protocol,
    course_kind,
    {{ is_total(['grade', 'site', 'protocol', 'course_kind']) }} as is_total,
    courses,
    measured,
    halved,
    halved_share,
    {{ share_low('halved_share') }} as share_low,
    {{ share_high('halved_share') }} as share_high,
    cast(minutes_before as double) as median_minutes_before,
    cast(minutes_after as double) as median_minutes_after
from shares
