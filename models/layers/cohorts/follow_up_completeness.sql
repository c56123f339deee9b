with
deaths as (
    select
        site,
        patient_key,
        status_date as died_on
    from {{ ref('stg_patients') }}
    where status = 'deceased'
),

-- A course could be followed until death, the next course or the cutoff.
followed as (
    select
        courses.course_id,
        courses.site,
        courses.patient_key,
        courses.protocol,
        courses.last_date,
        least(courses.cutoff, courses.next_course_date, deaths.died_on) as end_date
    from {{ ref('courses') }} as courses
    left join deaths
        on
            courses.site = deaths.site
            and courses.patient_key = deaths.patient_key
            and courses.last_date <= deaths.died_on
    where courses.is_mature
),

day_values as (
    {{ values_of_days() }}
),

known as (
    select
        site,
        patient_key,
        assessed_date as known_on
    from day_values
    union all
    select
        site,
        patient_key,
        session_date as known_on
    from {{ ref('sessions') }}
    union all
    select
        site,
        patient_key,
        died_on as known_on
    from deaths
),

spans as (
    select
        followed.site,
        followed.protocol,
        {{ days_between('followed.last_date', 'followed.end_date') }} as potential_days,
        {{ days_between(
            'followed.last_date', 'coalesce(max(known.known_on), followed.last_date)'
        ) }} as observed_days
    from followed
    left join known
        on
            followed.site = known.site
            and followed.patient_key = known.patient_key
            and followed.last_date < known.known_on
            and known.known_on <= followed.end_date
    group by
        followed.course_id,
        followed.site,
        followed.protocol,
        followed.last_date,
        followed.end_date
),

totals as (
    select
        {{ level('site') }} as site,
        {{ level('protocol') }} as protocol,
        count(*) as courses,
        count(*) filter (where observed_days > 0) as seen,
        cast(sum(observed_days) as bigint) as observed_days,
        cast(sum(potential_days) as bigint) as potential_days
    from spans
    group by cube(site, protocol)
    having count(*) > 0
)

select
    site,
    protocol,
    {{ is_total(['site', 'protocol']) }} as is_total,
    courses,
    seen,
    observed_days,
    potential_days,
    cast(observed_days as double) / nullif(potential_days, 0) as completeness
from totals
