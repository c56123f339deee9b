with newest as (
    {{ newest_rows('plans', ['plan_key']) }}
)

select
    site,
    batch,
    plan_key,
    patient_key,
    decided_on,
    decision,
    protocol,
    sessions_planned,
    home_care_result,
    {{ known_by_cutoff('ended_on', 'ended_on') }} as ended_on,
    {{ known_by_cutoff('end_reason', 'ended_on') }} as end_reason,
    source_file,
    source_row
from newest
where decided_on <= cutoff
