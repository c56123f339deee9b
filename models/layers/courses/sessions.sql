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
            as next_purpose,
        count(case when purpose = 'course' then 1 end) over (
            partition by site, patient_key
            order by session_date
            rows between unbounded preceding and current row
        ) as course_dates_so_far
    from by_date
),

linked as (
    select
        neighboured.*,
        purpose = 'course'
        and not {{ course_goes_on('previous_purpose', 'previous_date', 'purpose', 'session_date') }}
            as opens_course,
        {{ course_goes_on('purpose', 'session_date', 'next_purpose', 'next_date') }}
            as is_continued
    from neighboured
),

placed as (
    select
        linked.*,
        max(case when opens_course then session_date end) over (
            partition by site, patient_key
            order by session_date
            rows between unbounded preceding and current row
        ) as first_date,
        max(case when opens_course then course_dates_so_far end) over (
            partition by site, patient_key
            order by session_date
            rows between unbounded preceding and current row
        ) as course_dates_at_first
    from linked
),

named as (
    select
        placed.*,
        {{ course_id('site', 'patient_key', 'first_date') }} as latest_course_id
    from placed
)

select
    named.site,
    named.patient_key,
    named.session_date,
    named.session_key,
    named.purpose,
    protocols.protocol,
    case when named.purpose = 'course' then named.latest_course_id end as course_id,
    case
        when named.purpose = 'course'
            then named.course_dates_so_far - named.course_dates_at_first + 1
    end as session_number,
    case
        when named.purpose = 'course' and not named.opens_course
            then {{ days_between('named.previous_date', 'named.session_date') }}
    end as days_since_previous,
    case when named.is_continued then named.next_date end as next_date_in_course,
    named.latest_course_id,
    named.next_date,
    named.next_purpose,
    named.eyes_treated,
    named.chair_minutes,
    named.screened,
    named.consent_recorded,
    named.stopped_early,
    named.asked
from named
left join {{ ref('stg_protocols') }} as protocols
    on named.protocol_position = protocols.position
