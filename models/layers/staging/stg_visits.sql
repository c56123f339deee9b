with newest as (
    {{ newest_rows('visits', ['visit_key']) }}
)

select
    site,
    batch,
    visit_key,
    patient_key,
    visit_date,
    visit_reason,
    severity_grade,
    diagnosis,
    age_years,
    sex,
    home_care_minutes_per_day,
    drops_per_day,
    source_file,
    source_row
from newest
where visit_date <= cutoff
