select
    site,
    batch,
    kind,
    file,
    column_name,
    reason,
    flagged
from {{ source('arrivals', 'flagged_values') }}
