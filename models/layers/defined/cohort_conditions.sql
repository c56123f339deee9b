select
    cohort,
    condition,
    trait,
    code,
    at_least,
    below,
    from_day,
    before_day
from {{ source('definitions', 'cohort_conditions') }}
