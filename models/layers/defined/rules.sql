select
    rule,
    position,
    title,
    words,
    measure,
    unit,
    better,
    measured_in,
    source
from {{ source('definitions', 'rules') }}
