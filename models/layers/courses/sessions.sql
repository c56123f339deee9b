-- A clinic may give one day's treatment several session numbers: a day is what counts.
with entries as (
    select
        entries.*,
        protocols.position as protocol_position
    from {{ ref('stg_sessions') }} as entries
    left join {{ ref('stg_protocols') }} as protocols on entries.protocol = protocols.protocol
),

by_session as (
    select
        site,
        patient_key,
        session_date,
        session_key,
        bool_or(purpose = 'course') as is_course,
        min(protocol_position) filter (where purpose = 'course') as course_protocol_position,
        min(protocol_position) as protocol_position,
        bool_or(eye = 'right') as right_treated,
        bool_or(eye = 'left') as left_treated,
        max(chair_minutes) as chair_minutes,
        bool_and(screened) as screened,
        bool_and(consent_recorded) as consent_recorded,
        bool_or(stopped_early) as stopped_early,
        bool_or(adverse_event is not null) as asked
    from entries
    group by site, patient_key, session_date, session_key
),

by_date as (
    select
        site,
        patient_key,
        session_date,
        min(session_key) as session_key,
        case when bool_or(is_course) then 'course' else 'maintenance' end as purpose,
        coalesce(min(course_protocol_position), min(protocol_position)) as protocol_position,
        cast(bool_or(right_treated) as bigint) + cast(bool_or(left_treated) as bigint)
            as eyes_treated,
        cast(sum(chair_minutes) as decimal(18, 6)) as chair_minutes,
        bool_and(screened) as screened,
        bool_and(consent_recorded) as consent_recorded,
        bool_or(stopped_early) as stopped_early,
        bool_or(asked) as asked
    from by_session
    group by site, patient_key, session_date
),

neighboured as (
    select
        by_date.*,
        lag(session_date) over (partition by site, patient_key order by session_date)
            as previous_date,
        lag(purpose) over (partition by site, patient_key order by session_date)
            as previous_purpose,
        lead(session_date) over (partition by site, patient_key order by session_date)
            as next_date,
        lead(purpose) over (partition by site, patient_key order by session_date)
            as next_purpose
    from by_date
),

opened as (
    select
        neighboured.*,
        case
            when
                purpose = 'course'
                and (
                    previous_purpose is null
                    or previous_purpose = 'maintenance'
                    or {{ days_between('previous_date', 'session_date') }}
                    > {{ var('course_gap_days') }}
                )
                then session_date
        end as opening_date
    from neighboured
),

placed as (
    select
        opened.*,
        max(opening_date) over (
            partition by site, patient_key
            order by session_date
            rows between unbounded preceding and current row
        ) as first_date
    from opened
),

numbered as (
    select
        placed.*,
        {{ course_id('site', 'patient_key', 'first_date') }} as latest_course_id,
        row_number() over (
            partition by site, patient_key, first_date
            order by session_date
        ) as place
    from placed
)

select
    numbered.site,
    numbered.patient_key,
    numbered.session_date,
    numbered.session_key,
    numbered.purpose,
    protocols.protocol,
    case when numbered.purpose = 'course' then numbered.latest_course_id end as course_id,
    case when numbered.purpose = 'course' then numbered.place end as session_number,
    case
        when numbered.purpose = 'course' and numbered.opening_date is null
            then {{ days_between('numbered.previous_date', 'numbered.session_date') }}
    end as days_since_previous,
    numbered.latest_course_id,
    numbered.next_date,
    numbered.next_purpose,
    numbered.eyes_treated,
    numbered.chair_minutes,
    numbered.screened,
    numbered.consent_recorded,
    numbered.stopped_early,
    numbered.asked
from numbered
left join {{ ref('stg_protocols') }} as protocols
    on numbered.protocol_position = protocols.position
