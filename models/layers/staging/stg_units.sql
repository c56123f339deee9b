select
    site,
    batch,
    kind,
    digest
from {{ source('settings', 'units') }}
