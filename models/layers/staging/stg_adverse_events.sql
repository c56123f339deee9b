with newest as (
    {{ newest_rows('adverse_events', ['event_key']) }}
)

select
    site,
    batch,
    event_key,
    patient_key,
    onset_date,
    event,
    severity,
    serious,
    session_key,
    eye,
    {{ known_by_cutoff('resolved_date', 'resolved_date') }} as resolved_date,
    source_file,
    source_row
from newest
where onset_date <= cutoff
