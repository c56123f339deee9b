-- One row per site and harm that any batch told of: why somebody has to look into it, if so.
-- A harm is known by its session and eye, or by its report; what its newest accepted row says
-- stands, unless a site that exports in full no longer sends the row, accepted or refused. A code
-- that could not be read, `unknown`, is answered by any harm that was read later.
-- This is double entry: models/layers/quality/harms_to_settle.sql states the same rule apart from
-- this, so that a slip in one is seen in the other, and a test holds them against each other.
with

entries as (
    select
        site,
        batch,
        'sessions' as kind,
        left(session_key, 16) || '-' || left(eye, 1) as harm,
        nullif(adverse_event, 'none') as event,
        0 as severity,
        false as serious
    from sessions

    union all

    select
        site,
        batch,
        'adverse_events' as kind,
        left(event_key, 16) as harm,
        event,
        case severity when 'mild' then 1 when 'moderate' then 2 else 3 end as severity,
        coalesce(serious, false) as serious
    from adverse_events
),

told as (
    select
        site,
        harm,
        event,
        severity,
        serious,
        false as was_refused,
        false as was_withdrawn
    from entries
    where event is not null

    union all

    select
        site,
        harm_key as harm,
        event,
        case severity when 'mild' then 1 when 'moderate' then 2 when 'severe' then 3 else 0 end
            as severity,
        coalesce(serious, false) as serious,
        withdrawn_last_day is null as was_refused,
        withdrawn_last_day is not null as was_withdrawn
    from refused_harms
),

newest as (
    select
        entries.*,
        batches.position
    from entries
    inner join batches on entries.site = batches.site and entries.batch = batches.batch
    qualify
        row_number() over (
            partition by entries.site, entries.harm order by batches.position desc
        ) = 1
),

newest_exports as (
    select
        files.site,
        files.kind,
        max(batches.position) as position
    from files
    inner join batches on files.site = batches.site and files.batch = batches.batch
    inner join sites on files.site = sites.site
    where sites.exports = 'full' and not files.file_refused
    group by files.site, files.kind
),

refused_entries as (
    select
        site,
        batch,
        'sessions' as kind,
        left(session_key, 16) || '-' || left(eye, 1) as harm
    from refused_sessions

    union all

    select
        site,
        batch,
        'adverse_events' as kind,
        left(event_key, 16) as harm
    from refused_adverse_events
),

still_sent as (
    select distinct
        refused_entries.site,
        refused_entries.harm
    from refused_entries
    inner join batches
        on refused_entries.site = batches.site and refused_entries.batch = batches.batch
    inner join newest_exports
        on
            refused_entries.site = newest_exports.site
            and refused_entries.kind = newest_exports.kind
            and batches.position = newest_exports.position
),

standing as (
    select newest.*
    from newest
    left join newest_exports
        on newest.site = newest_exports.site and newest.kind = newest_exports.kind
    left join still_sent
        on newest.site = still_sent.site and newest.harm = still_sent.harm
    where
        newest_exports.position is null
        or newest.position = newest_exports.position
        or still_sent.harm is not null
),

compared as (
    select
        told.site,
        told.harm,
        case
            when
                (
                    standing.event = told.event
                    or (told.event = 'unknown' and standing.event is not null)
                )
                and standing.severity >= told.severity
                and standing.serious >= told.serious
                then null
            when told.was_withdrawn then 'withdrawn'
            when told.was_refused then 'refused'
            when standing.harm is null then 'withdrawn'
            else 'lowered'
        end as why
    from told
    left join standing on told.site = standing.site and told.harm = standing.harm
)

select
    compared.site,
    compared.site || '/' || compared.harm as key,
    max(compared.why) as why, -- withdrawn tells more than refused, refused more than lowered
    bool_or(settled_harms.harm is not null) as settled
from compared
left join settled_harms
    on compared.site = settled_harms.site and compared.harm = settled_harms.harm
group by compared.site, compared.harm
order by key
