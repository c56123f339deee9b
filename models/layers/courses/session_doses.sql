with
bands as (
    select
        sessions.site,
        sessions.session_key,
        sessions.eye,
        protocols.band_low_c,
        protocols.band_high_c
    from {{ ref('stg_sessions') }} as sessions
    inner join {{ ref('stg_protocols') }} as protocols
        on sessions.protocol = protocols.protocol
),

doses as (
    {{ thermal_dose(ref('stg_temperatures'), 'bands', ['site', 'session_key', 'eye']) }}
)

select
    site,
    session_key,
    eye,
    samples,
    cem43_minutes,
    seconds_in_band,
    longest_run_s,
    peak_c,
    seconds_above_43,
    plateau_c
from doses
