select
    site,
    batch,
    kind,
    file,
    column_name,
    reason,
    rows,
    would_have_replaced
from {{ source('arrivals', 'refused_reasons') }}
