-- The median of a series' last `history_batches` values before this one; null values don't count.
create macro usual(
    value,
    series,
    place,
    history_batches := getvariable('history_batches')
) as median(value) over (
    partition by series
    order by place
    rows between history_batches preceding and 1 preceding
);

-- How many values the usual rests on.
create macro earlier(
    value,
    series,
    place,
    history_batches := getvariable('history_batches')
) as count(value) over (
    partition by series
    order by place
    rows between history_batches preceding and 1 preceding
);

-- One row per accepted row of a kind.
create macro patients_of(kind_name) as table
select
    kind_name as kind,
    site,
    batch,
    patient_key
from query_table(kind_name);

-- One row per site, batch and column of a kind: rows accepted, and rows that fill the column.
create macro filled_values(kind_name) as table
with

counted as (
    select
        site,
        batch,
        count(*) as rows_accepted,
        count(columns(* exclude (site, batch, source_file, source_row)))
    from query_table(kind_name)
    group by site, batch
)

select
    kind_name as kind,
    site,
    batch,
    column_name,
    rows_accepted,
    filled
from (
    unpivot counted
    on columns(* exclude (site, batch, rows_accepted))
    into name column_name value filled
);

-- One row per site and batch of a kind: rows accepted, and a sum over a hash of each row.
create macro fingerprints(kind_name) as table
select
    kind_name as kind,
    site,
    batch,
    count(*) as rows_accepted,
    sum(
        hash(
            source_row,
            *columns(
                lambda name:
                not ends_with(name, '_key')
                and name not in ('site', 'batch', 'source_file', 'source_row')
            )
        )
    ) as fingerprint
from query_table(kind_name)
group by site, batch;

-- One row per site, batch and file of a kind: rows that lie among the accepted and the refused.
create macro stored_rows(kind_name) as table
select
    kind_name as kind,
    site,
    batch,
    source_file as file,
    count(*) filter (where is_accepted) as accepted,
    count(*) filter (where not is_accepted) as refused
from (
    select
        site,
        batch,
        source_file,
        true as is_accepted
    from query_table(kind_name)
    union all
    select
        site,
        batch,
        source_file,
        false as is_accepted
    from query_table('refused_' || kind_name)
) as stored
group by site, batch, source_file;
