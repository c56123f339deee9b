-- Finds each harm told of up to its site's cutoff, by an accepted or a refused row of any batch,
-- that is neither among the adverse events nor listed as one to settle. A session's own entry may
-- also stand as a report of the same harm at that session.
select
    sites.site || '/' || told.harm_key as key,
    told.event
from staging.stg_sites as sites
inner join (
    select
        site,
        left(session_key, 16) || '-' || left(eye, 1) as harm_key,
        session_key,
        session_date as event_date,
        adverse_event as event
    from
        read_parquet(
            ':inputs/sessions/*/*/*.parquet',
            hive_partitioning = true,
            hive_types_autocast = false
        )
    where adverse_event <> 'none'

    union all

    select
        site,
        left(event_key, 16) as harm_key,
        session_key,
        onset_date as event_date,
        event
    from
        read_parquet(
            ':inputs/adverse_events/*/*/*.parquet',
            hive_partitioning = true,
            hive_types_autocast = false
        )

    union all

    select
        site,
        harm_key,
        session_key,
        event_date,
        event
    from read_parquet(':inputs/quality/refused_harms.parquet')
) as told on sites.site = told.site
anti join (
    select
        site,
        harm_key
    from courses.adverse_events

    union all

    select
        site,
        harm_key
    from quality.harms_to_settle
) as kept on told.site = kept.site and told.harm_key = kept.harm_key
anti join (
    select
        site,
        session_key,
        event
    from staging.stg_adverse_events
) as reports
    on
        told.site = reports.site
        and told.session_key = reports.session_key
        and told.event = reports.event
where told.event_date is null or told.event_date <= sites.cutoff
