select
    site,
    batch,
    first_day,
    last_day,
    position
from {{ source('settings', 'batches') }}
