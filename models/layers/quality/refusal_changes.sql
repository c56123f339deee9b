-- What each batch brought, beside what the site's batch before brought: a reason that is gone is
-- listed once more, with none.
with found as (
    select
        site,
        batch,
        kind,
        'row_refused' as finding,
        column_name,
        reason,
        rows as times
    from {{ ref('refused_reasons') }}
    union all
    select
        site,
        batch,
        kind,
        'value_flagged' as finding,
        column_name,
        reason,
        flagged as times
    from {{ ref('flagged_values') }}
),

in_order as (
    select
        found.*,
        batches.position
    from found
    inner join {{ ref('stg_batches') }} as batches
        on found.site = batches.site and found.batch = batches.batch
),

beside_each_other as (
    select
        site,
        position,
        kind,
        finding,
        column_name,
        reason,
        times,
        0 as times_before
    from in_order
    union all
    select
        site,
        position + 1 as position,
        kind,
        finding,
        column_name,
        reason,
        0 as times,
        times as times_before
    from in_order
),

rows_read as (
    select
        site,
        batch,
        kind,
        cast(sum(rows_read) as {{ dbt.type_bigint() }}) as rows_read
    from {{ ref('files') }}
    group by site, batch, kind
)

select
    changes.site,
    batches.batch,
    changes.kind,
    changes.finding,
    changes.column_name,
    changes.reason,
    cast(sum(changes.times) as {{ dbt.type_bigint() }}) as times,
    cast(sum(changes.times_before) as {{ dbt.type_bigint() }}) as times_before,
    cast(sum(changes.times) - sum(changes.times_before) as {{ dbt.type_bigint() }}) as change,
    coalesce(max(rows_now.rows_read), 0) as rows_read,
    coalesce(max(rows_before.rows_read), 0) as rows_read_before
from beside_each_other as changes
inner join {{ ref('stg_batches') }} as batches
    on changes.site = batches.site and changes.position = batches.position
left join {{ ref('stg_batches') }} as earlier
    on changes.site = earlier.site and changes.position = earlier.position + 1
left join rows_read as rows_now
    on
        batches.site = rows_now.site
        and batches.batch = rows_now.batch
        and changes.kind = rows_now.kind
left join rows_read as rows_before
    on
        earlier.site = rows_before.site
        and earlier.batch = rows_before.batch
        and changes.kind = rows_before.kind
group by
    changes.site, batches.batch, changes.kind, changes.finding, changes.column_name, changes.reason
