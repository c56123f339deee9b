-- An interval starts at the last date of a completed course and at each maintenance date after it.
with intervals as (
    select
        sessions.site,
        sessions.patient_key,
        sessions.session_date as started_on,
        courses.course_id,
        courses.protocol,
        courses.symptoms_band,
        sessions.next_date as ended_on,
        sessions.next_purpose as ended_by,
        courses.cutoff,
        protocols.maintenance_low_days as low_days,
        protocols.maintenance_high_days as high_days,
        {{ days_between(
            'sessions.session_date', 'coalesce(sessions.next_date, courses.cutoff)'
        ) }} as days,
        {{ days_between('sessions.session_date', 'courses.cutoff') }} as days_to_cutoff
    from {{ ref('sessions') }} as sessions
    inner join {{ ref('courses') }} as courses on sessions.latest_course_id = courses.course_id
    inner join {{ ref('stg_protocols') }} as protocols on courses.protocol = protocols.protocol
    where
        courses.state = 'completed'
        and sessions.session_date >= courses.last_date
),

ended as (
    select
        intervals.*,
        case
            when ended_by = 'course' then 'new_course'
            when ended_on is not null and days < low_days then 'early'
            when ended_on is not null and days <= high_days then 'on_time'
            when ended_on is not null then 'late'
            when days < low_days then 'not_due'
            when days <= high_days then 'due'
            else 'overdue'
        end as status
    from intervals
),

judged as (
    select
        ended.*,
        case
            when days_to_cutoff <= high_days then null
            when status in ('early', 'on_time', 'late', 'overdue') then status
            when status = 'new_course' and days > high_days then 'late'
        end as judged_status
    from ended
),

departures as (
    select
        site,
        patient_key,
        case status when 'deceased' then 'deceased' else 'discharged' end as left_as,
        status_date as left_on
    from {{ ref('stg_patients') }}
    where status in ('discharged', 'moved', 'deceased')
)

select
    judged.site,
    judged.patient_key,
    judged.started_on,
    judged.course_id,
    judged.protocol,
    judged.symptoms_band,
    judged.ended_on,
    judged.status,
    judged.judged_status is not null as judged,
    judged.judged_status,
    {{ days_after('judged.started_on', 'judged.low_days') }} as due_from,
    {{ days_after('judged.started_on', 'judged.high_days') }} as due_by,
    judged.days,
    departures.left_as,
    departures.left_on
from judged
left join departures
    on
        judged.site = departures.site
        and judged.patient_key = departures.patient_key
        and judged.started_on < departures.left_on
        and (judged.ended_on is null or judged.ended_on > departures.left_on)
