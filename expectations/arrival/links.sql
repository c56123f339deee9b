-- One row per site and link between kinds: how many of its keys lead nowhere.
select
    site,
    link,
    count(*) as linked_keys,
    count(*) filter (where leads_nowhere) as orphans,
    count(*) filter (where leads_nowhere) / count(*) as orphan_share
from linked_keys
group by site, link
order by site, link
