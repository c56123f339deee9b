-- One row per site, batch, kind and column: the share of rows that leave it empty, beside the
-- usual share, and the share of the values given that its range or codes don't allow.
with

filled as (
    from filled_values('visits')
    union all
    from filled_values('sessions')
    union all
    from filled_values('outcomes')
    union all
    from filled_values('patients')
    union all
    from filled_values('plans')
    union all
    from filled_values('treatments')
    union all
    from filled_values('adverse_events')
    union all
    select
        kind,
        site,
        batch,
        'temp_c' as column_name,
        sum(accepted) as rows_accepted,
        sum(accepted) as filled
    from files
    where kind = 'temperatures'
    group by kind, site, batch
    having rows_accepted > 0
),

flagged as (
    select
        site,
        batch,
        kind,
        column_name,
        cast(sum(flagged) as bigint) as flagged,
        cast(sum(flagged) filter (where reason <> 'above_range') as bigint) as emptied
    from flagged_values
    group by site, batch, kind, column_name
),

counted as (
    select
        filled.*,
        batches.position,
        max(batches.position) over (partition by filled.site) - batches.position as batches_since,
        coalesce(patients_told_of.patients, 0) as patients,
        1 - filled.filled / filled.rows_accepted as empty_share,
        coalesce(flagged.flagged, 0) as flagged,
        filled.filled + coalesce(flagged.emptied, 0) as given
    from filled
    inner join batches on filled.site = batches.site and filled.batch = batches.batch
    left join patients_told_of
        on
            filled.site = patients_told_of.site
            and filled.batch = patients_told_of.batch
            and filled.kind = patients_told_of.kind
    left join flagged
        on
            filled.site = flagged.site
            and filled.batch = flagged.batch
            and filled.kind = flagged.kind
            and filled.column_name = flagged.column_name
),

with_usual as (
    select
        *,
        earlier(empty_share, (site, kind, column_name), position) as earlier_batches,
        usual(empty_share, (site, kind, column_name), position) as usual_share
    from counted
)

select
    site || '/' || batch || '/' || kind || '/' || column_name as key,
    batches_since,
    patients,
    empty_share,
    earlier_batches,
    usual_share,
    empty_share - usual_share as rise_of_empty_share,
    abs(empty_share - usual_share)
    / sqrt(greatest(usual_share * (1 - usual_share), 0.01) / nullif(patients, 0))
        as standard_errors_off,
    flagged,
    flagged / nullif(given, 0) as flagged_share
from with_usual
order by key
