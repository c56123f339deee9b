-- One row per site and kind: in how many of the site's batches the kind came.
select
    site || '/' || kind as key,
    site,
    kind,
    required,
    count(*) as batches,
    count(*) filter (where files > 0) as batches_with_kind
from arrivals
group by site, kind, required
order by key
