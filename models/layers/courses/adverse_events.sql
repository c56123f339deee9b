with entries as (
    select
        site,
        session_key,
        patient_key,
        session_date,
        eye,
        adverse_event
    from {{ ref('stg_sessions') }}
),

known_sessions as (
    select
        site,
        patient_key,
        session_key,
        min(session_date) as session_date
    from entries
    group by site, patient_key, session_key
),

reports as (
    select
        reports.site,
        reports.event_key,
        reports.patient_key,
        reports.onset_date,
        reports.event,
        reports.severity,
        reports.serious,
        reports.eye,
        named.session_key,
        named.session_date
    from {{ ref('stg_adverse_events') }} as reports
    left join known_sessions as named
        on
            reports.site = named.site
            and reports.patient_key = named.patient_key
            and reports.session_key = named.session_key
),

-- Whoever reports later without naming a session has the one before in mind.
latest_sessions as (
    select
        reports.site,
        reports.event_key,
        max(sessions.session_date) as session_date
    from reports
    inner join {{ ref('sessions') }} as sessions
        on
            reports.site = sessions.site
            and reports.patient_key = sessions.patient_key
            and reports.onset_date >= sessions.session_date
    where reports.session_key is null
    group by reports.site, reports.event_key
),

harms as (
    select
        reports.site,
        {{ harm_key('reports.event_key') }} as harm_key,
        reports.patient_key,
        reports.onset_date as event_date,
        reports.event,
        reports.severity,
        reports.serious,
        reports.eye,
        'report' as source,
        coalesce(reports.session_date, latest_sessions.session_date) as session_date
    from reports
    left join latest_sessions
        on reports.site = latest_sessions.site and reports.event_key = latest_sessions.event_key
    union all
    select
        entries.site,
        {{ harm_key('entries.session_key', 'entries.eye') }} as harm_key,
        entries.patient_key,
        entries.session_date as event_date,
        entries.adverse_event as event,
        'unknown' as severity,
        cast(null as boolean) as serious,
        entries.eye,
        'session' as source,
        entries.session_date
    from entries
    where
        entries.adverse_event <> 'none'
        and not exists (
            select 1
            from reports
            where
                reports.site = entries.site
                and reports.session_key = entries.session_key
                and reports.event = entries.adverse_event
                and coalesce(reports.eye, 'both') in ('both', entries.eye)
        )
)

-- The eye concerned tells most about its session; else the first eye treated stands for both.
select
    harms.site || '/' || harms.harm_key as adverse_event_id,
    harms.site,
    harms.patient_key,
    harms.harm_key,
    harms.event_date,
    harms.event,
    harms.severity,
    harms.serious,
    harms.eye,
    harms.source,
    harms.session_date,
    session_eyes.course_id,
    session_eyes.protocol,
    session_eyes.purpose,
    session_eyes.device
from harms
left join {{ ref('session_eyes') }} as session_eyes
    on
        harms.site = session_eyes.site
        and harms.patient_key = session_eyes.patient_key
        and harms.session_date = session_eyes.session_date
qualify
    row_number() over (
        partition by harms.site, harms.harm_key
        order by
            case when session_eyes.eye = harms.eye then 1 else 2 end, session_eyes.eye nulls last
    ) = 1
