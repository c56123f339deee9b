select
    rule,
    band,
    at_least,
    below,
    amount,
    share
from {{ source('definitions', 'rule_bands') }}
