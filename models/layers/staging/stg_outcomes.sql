with newest as (
    {{ newest_rows('outcomes', ['outcome_key']) }}
)

select
    site,
    batch,
    outcome_key,
    patient_key,
    assessed_date,
    eye,
    measure,
    value,
    timing,
    source_file,
    source_row
from newest
where assessed_date <= cutoff
