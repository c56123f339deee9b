-- Where an eye was treated twice on one day, the course's entry stands for both; but a harm in
-- either is kept.
with preferred as (
    select
        entries.*,
        coalesce(
            max(case when entries.adverse_event <> 'none' then entries.adverse_event end)
                over same_eye_and_day,
            max(entries.adverse_event) over same_eye_and_day
        ) as adverse_event_of_day
    from {{ ref('stg_sessions') }} as entries
    left join {{ ref('stg_protocols') }} as protocols on entries.protocol = protocols.protocol
    window
        same_eye_and_day as (
            partition by entries.site, entries.patient_key, entries.session_date, entries.eye
            order by
                case entries.purpose when 'course' then 1 else 2 end,
                protocols.position nulls last,
                entries.session_key
            rows between unbounded preceding and unbounded following
        )
    qualify entries.session_key = first_value(entries.session_key) over same_eye_and_day
),

placed as (
    select
        preferred.*,
        case when preferred.purpose = 'course' then sessions.course_id end as course_id,
        case when preferred.purpose = 'course' then sessions.days_since_previous end
            as days_since_previous,
        doses.cem43_minutes,
        doses.seconds_in_band,
        doses.longest_run_s,
        doses.peak_c,
        doses.seconds_above_43
    from preferred
    inner join {{ ref('sessions') }} as sessions
        on
            preferred.site = sessions.site
            and preferred.patient_key = sessions.patient_key
            and preferred.session_date = sessions.session_date
    left join {{ ref('session_doses') }} as doses
        on
            preferred.site = doses.site
            and preferred.session_key = doses.session_key
            and preferred.eye = doses.eye
)

select
    site,
    patient_key,
    session_date,
    eye,
    session_key,
    purpose,
    protocol,
    course_id,
    case
        when course_id is not null
            then cast(
                row_number() over (partition by course_id, eye order by session_date) as bigint
            )
    end as session_number,
    days_since_previous,
    case
        when course_id is not null
            then lead(session_date) over (partition by course_id, eye order by session_date)
    end as next_date_in_course,
    lids,
    plateau_temp_c,
    max_temp_c,
    minutes,
    chair_minutes,
    pain_0_10,
    glands_expressed,
    lid_hygiene_done,
    eye_shield,
    stopped_early,
    screened,
    consent_recorded,
    operator,
    device,
    adverse_event_of_day as adverse_event,
    cem43_minutes,
    seconds_in_band,
    longest_run_s,
    peak_c,
    seconds_above_43
from placed
