with
sessions as (
    select
        site,
        {{ month_of('session_date') }} as month,
        count(*) filter (where not asked) as sessions_not_asked,
        count(chair_minutes) as sessions_timed
    from {{ ref('sessions') }}
    group by 1, 2
),

files as (
    select
        batches.site,
        {{ month_of('batches.first_day') }} as month,
        count(*) filter (where files.file_refused) as files_refused,
        sum(files.refused) as rows_refused
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
    site_months.site,
    site_months.month,
    coalesce(sessions.sessions_not_asked, 0) as sessions_not_asked,
    coalesce(sessions.sessions_timed, 0) as sessions_timed,
    coalesce(files.files_refused, 0) as files_refused,
    cast(coalesce(files.rows_refused, 0) as bigint) as rows_refused,
    cast(coalesce(flags.values_flagged, 0) as bigint) as values_flagged
from {{ ref('site_months') }} as site_months
left join sessions
    on site_months.site = sessions.site and site_months.month = sessions.month
left join files
    on site_months.site = files.site and site_months.month = files.month
left join flags
    on site_months.site = flags.site and site_months.month = flags.month
