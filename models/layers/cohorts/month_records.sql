with
timed as (
    select
        site,
        {{ month_of('session_date') }} as month,
        count(chair_minutes) as sessions_timed
    from {{ ref('sessions') }}
    group by 1, 2
),

whole_files as (
    select
        batches.site,
        {{ month_of('batches.first_day') }} as month,
        count(*) filter (where files.file_refused) as files_refused
    from {{ ref('files') }} as files
    inner join {{ ref('stg_batches') }} as batches
        on files.site = batches.site and files.batch = batches.batch
    group by 1, 2
),

flags as (
    select
        batches.site,
        {{ month_of('batches.first_day') }} as month,
        sum(flagged.flagged) as values_flagged
    from {{ ref('flagged_values') }} as flagged
    inner join {{ ref('stg_batches') }} as batches
        on flagged.site = batches.site and flagged.batch = batches.batch
    group by 1, 2
)

select
    months.site,
    months.month,
    months.sessions - months.sessions_asked as sessions_not_asked,
    coalesce(timed.sessions_timed, 0) as sessions_timed,
    coalesce(whole_files.files_refused, 0) as files_refused,
    months.refused_rows as rows_refused,
    cast(coalesce(flags.values_flagged, 0) as bigint) as values_flagged
from {{ ref('month_summary') }} as months
left join timed on months.site = timed.site and months.month = timed.month
left join whole_files
    on months.site = whole_files.site and months.month = whole_files.month
left join flags on months.site = flags.site and months.month = flags.month
