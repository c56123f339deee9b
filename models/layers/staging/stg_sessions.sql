with newest as (
    {{ newest_rows('sessions', ['session_key', 'eye']) }}
)

select
    site,
    batch,
    session_key,
    patient_key,
    session_date,
    eye,
    purpose,
    protocol,
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
    adverse_event,
    source_file,
    source_row
from newest
where session_date <= cutoff
