-- A session's device is the one recorded for its first eye that has one; its harms go with it.
with
devices as (
    select
        site,
        patient_key,
        session_date,
        coalesce(device, 'unknown') as device
    from {{ ref('session_eyes') }}
    qualify
        row_number() over (
            partition by site, patient_key, session_date
            order by case when device is null then 2 else 1 end, eye
        ) = 1
),

used as (
    select
        devices.site,
        devices.device,
        count(*) as sessions,
        count(*) filter (where sessions.asked) as asked
    from devices
    inner join {{ ref('sessions') }} as sessions
        on
            devices.site = sessions.site
            and devices.patient_key = sessions.patient_key
            and devices.session_date = sessions.session_date
    group by devices.site, devices.device
),

harmed as (
    select
        harms.site,
        coalesce(devices.device, 'unknown') as device,
        count(*) as events,
        count(*) filter (where harms.serious) as serious
    from {{ ref('adverse_events') }} as harms
    left join devices
        on
            harms.site = devices.site
            and harms.patient_key = devices.patient_key
            and harms.session_date = devices.session_date
    group by 1, 2
),

counted as (
    select
        coalesce(used.site, harmed.site) as site,
        coalesce(used.device, harmed.device) as device,
        coalesce(used.sessions, 0) as sessions,
        coalesce(used.asked, 0) as asked,
        coalesce(harmed.events, 0) as events,
        coalesce(harmed.serious, 0) as serious
    from used
    full outer join harmed
        on used.site = harmed.site and used.device = harmed.device
)

select
    site,
    device,
    sessions,
    asked,
    events,
    serious,
    100e0 * events / nullif(asked, 0) as rate_per_100,
    {{ exact_low('events', 'asked') }} * 100e0 as rate_low, -- noqa: PRS
    {{ exact_high('events', 'asked') }} * 100e0 as rate_high -- noqa: PRS
from counted
