-- A window says on which days of which eye (`both` for the patient) a value may lie, and from which
-- day it is looked for: the value nearest that day is taken, the later of two as near.
with treated as (
    select
        course_id,
        site,
        patient_key,
        'both' as eye,
        session_number,
        session_date,
        next_date_in_course
    from {{ ref('sessions') }}
    where course_id is not null
    union all
    select
        course_id,
        site,
        patient_key,
        eye,
        session_number,
        session_date,
        next_date_in_course
    from {{ ref('session_eyes') }}
    where course_id is not null
),

spans as (
    select
        course_id,
        min(session_date) as first_date,
        max(session_date) as last_date,
        max(next_date) filter (where next_purpose = 'maintenance') as maintenance_date
    from {{ ref('sessions') }}
    where course_id is not null
    group by course_id
),

eyes as (
    select
        treated.course_id,
        treated.site,
        treated.patient_key,
        treated.eye,
        spans.first_date,
        spans.last_date,
        {{ days_after('spans.last_date', var('followup_days')) }} as followed_until,
        spans.maintenance_date
    from treated
    inner join spans on treated.course_id = spans.course_id
    where treated.session_number = 1
),

windows as (
    select
        course_id,
        site,
        patient_key,
        eye,
        'baseline' as evaluation,
        cast(0 as bigint) as session_number,
        {{ baseline_from('first_date') }} as from_date,
        first_date as until_date,
        first_date as sought_date
    from eyes
    union all
    select
        course_id,
        site,
        patient_key,
        eye,
        'session' as evaluation,
        session_number,
        {{ days_after('session_date', 1) }} as from_date,
        next_date_in_course as until_date,
        next_date_in_course as sought_date
    from treated
    where next_date_in_course is not null
    union all
    select
        course_id,
        site,
        patient_key,
        eye,
        'final' as evaluation,
        cast(0 as bigint) as session_number,
        {{ days_after('last_date', var('settle_days')) }} as from_date,
        case when maintenance_date < followed_until then maintenance_date else followed_until end
            as until_date,
        {{ days_after('last_date', var('target_day')) }} as sought_date
    from eyes
),

day_values as (
    {{ values_of_days() }}
    union all
    select
        site,
        patient_key,
        'home_care_minutes_per_day' as measure,
        'both' as eye,
        visit_date as assessed_date,
        {{ mean_of_day('home_care_minutes_per_day') }} as value
    from {{ ref('stg_visits') }}
    where home_care_minutes_per_day is not null
    group by site, patient_key, visit_date
)

select
    windows.course_id,
    day_values.measure,
    windows.eye,
    windows.evaluation,
    windows.session_number,
    windows.site,
    windows.patient_key,
    day_values.assessed_date,
    day_values.value
from windows
inner join day_values
    on
        windows.site = day_values.site
        and windows.patient_key = day_values.patient_key
        and windows.eye = day_values.eye
        and day_values.assessed_date between windows.from_date and windows.until_date
qualify
    row_number() over (
        partition by
            windows.course_id,
            day_values.measure,
            windows.eye,
            windows.evaluation,
            windows.session_number
        order by
            abs({{ days_between('windows.sought_date', 'day_values.assessed_date') }}),
            day_values.assessed_date desc
    ) = 1
