-- One row per site, batch and kind: a fingerprint of what its rows say, their keys apart.
-- Kinds whose rows carry no date of their own may agree by chance and are left out.
select
    site || '/' || batch || '/' || kind as key,
    site,
    kind,
    rows_accepted,
    fingerprint
from (
    from fingerprints('visits')
    union all
    from fingerprints('sessions')
    union all
    from fingerprints('outcomes')
    union all
    from fingerprints('plans')
    union all
    from fingerprints('treatments')
    union all
    from fingerprints('adverse_events')
) as printed
order by key
