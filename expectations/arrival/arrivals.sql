-- One row per site, batch and kind: what came, beside what the site usually sends.
-- A site that exports in full repeats itself, so its usual is the batch before.
with

counted as (
    select
        site,
        batch,
        kind,
        count(*) as files,
        cast(sum(rows_read) as bigint) as rows_read,
        cast(sum(refused) as bigint) as refused
    from files
    group by site, batch, kind
),

possible as (
    select
        batches.site,
        batches.batch,
        batches.position,
        sites.exports,
        kinds.kind,
        kinds.required,
        max(batches.position) over (partition by batches.site) - batches.position
            as batches_since
    from batches
    inner join sites on batches.site = sites.site
    cross join kinds
),

come as (
    select
        possible.*,
        coalesce(counted.files, 0) as files,
        coalesce(counted.rows_read, 0) as rows_read,
        coalesce(counted.refused, 0) as refused,
        coalesce(patients_told_of.patients, 0) as patients
    from possible
    left join counted
        on
            possible.site = counted.site
            and possible.batch = counted.batch
            and possible.kind = counted.kind
    left join patients_told_of
        on
            possible.site = patients_told_of.site
            and possible.batch = patients_told_of.batch
            and possible.kind = patients_told_of.kind
),

with_usual as (
    select
        *,
        earlier(rows_read, (site, kind), position) as earlier_batches,
        case
            when exports = 'full'
                then lag(rows_read) over (partition by site, kind order by position)
            else usual(rows_read, (site, kind), position)
        end as usual_rows,
        usual(patients, (site, kind), position) as usual_patients
    from come
)

select
    site || '/' || batch || '/' || kind as key,
    site,
    batch,
    kind,
    required,
    batches_since,
    files,
    rows_read,
    refused,
    refused / nullif(rows_read, 0) as refused_share,
    earlier_batches,
    usual_patients,
    usual_rows,
    rows_read / nullif(usual_rows, 0) as times_usual_rows
from with_usual
order by key
