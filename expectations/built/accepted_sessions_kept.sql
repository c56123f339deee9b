-- Finds each accepted session and eye, up to its site's cutoff, that staging does not hold, but
-- for sites that export in full, where a newer batch may have withdrawn it.
select sites.site || '/' || accepted.session_key || '/' || accepted.eye as key
from staging.stg_sites as sites
inner join (
    select
        arrived.site,
        arrived.session_key,
        arrived.eye,
        arg_max(arrived.session_date, batches.position) as session_date
    from
        read_parquet(
            ':inputs/sessions/*/*/*.parquet',
            hive_partitioning = true,
            hive_types_autocast = false
        ) as arrived
    inner join staging.stg_batches as batches
        on arrived.site = batches.site and arrived.batch = batches.batch
    group by arrived.site, arrived.session_key, arrived.eye
) as accepted on sites.site = accepted.site
anti join staging.stg_sessions as staged
    on
        accepted.site = staged.site
        and accepted.session_key = staged.session_key
        and accepted.eye = staged.eye
where sites.exports = 'changes' and accepted.session_date <= sites.cutoff
