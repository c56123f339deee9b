with newest as (
    {{ newest_rows('treatments', ['treatment_key']) }}
)

select
    site,
    batch,
    treatment_key,
    patient_key,
    treatment,
    eye,
    started_on,
    {{ known_by_cutoff('stopped_on', 'stopped_on') }} as stopped_on,
    source_file,
    source_row
from newest
where started_on <= cutoff
