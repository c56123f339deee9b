-- On the way a log goes by a number, which sorts faster than its three keys.
with
logs as (
    select
        sessions.site,
        sessions.session_key,
        sessions.eye,
        protocols.band_low_c,
        protocols.band_high_c,
        row_number() over (
            order by
                sessions.site nulls last,
                sessions.session_key nulls last,
                sessions.eye nulls last
        ) as log
    from {{ ref('stg_sessions') }} as sessions
    inner join {{ ref('stg_protocols') }} as protocols
        on sessions.protocol = protocols.protocol
),

samples as (
    select
        logs.log,
        logs.band_low_c,
        logs.band_high_c,
        temperatures.t_s,
        temperatures.temp_c
    from {{ ref('stg_temperatures') }} as temperatures
    inner join logs
        on
            temperatures.site = logs.site
            and temperatures.session_key = logs.session_key
            and temperatures.eye = logs.eye
),

doses as (
    {{ thermal_dose('samples', ['log']) }}
)

select
    logs.site,
    logs.session_key,
    logs.eye,
    doses.samples,
    doses.cem43_minutes,
    doses.seconds_in_band,
    doses.longest_run_s,
    doses.peak_c,
    doses.seconds_above_43,
    doses.plateau_c
from doses
inner join logs on doses.log = logs.log
