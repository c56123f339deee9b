select
    site,
    batch,
    kind,
    file,
    bytes,
    rows_read,
    accepted,
    refused,
    exact_repeats,
    forgotten,
    file_refused,
    file_reason,
    read_as
from {{ source('arrivals', 'files') }}
