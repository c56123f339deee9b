select
    site,
    batch,
    kind,
    file,
    column_name,
    reason,
    rows,
    would_have_replaced,
    first_rows
from {{ source('arrivals', 'refused_reasons') }}
