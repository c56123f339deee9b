select
    site,
    batch,
    kind,
    digest
from {{ source('published', 'units') }}
