with newest as (
    {{ newest_rows('patients', ['patient_key']) }}
)

select
    site,
    batch,
    patient_key,
    {{ known_by_cutoff('status', 'status_date') }} as status,
    {{ known_by_cutoff('status_date', 'status_date') }} as status_date,
    treated_before,
    source_file,
    source_row
from newest
