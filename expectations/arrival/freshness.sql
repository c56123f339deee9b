-- One row per site of group.toml: how far its newest batch lies behind the as-of date.
select
    sites.site,
    sites.site as key,
    count(batches.batch) as batches,
    max(batches.last_day) as newest_day,
    getvariable('as_of') - max(batches.last_day) as days_behind
from sites
left join batches on sites.site = batches.site
group by sites.site
order by key
