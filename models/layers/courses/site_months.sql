with
first_rows as (
    select site, first_day as day from {{ ref('stg_batches') }}
    union all
    select site, min(visit_date) as day from {{ ref('stg_visits') }} group by site
    union all
    select site, min(decided_on) as day from {{ ref('stg_plans') }} group by site
    union all
    select site, min(session_date) as day from {{ ref('sessions') }} group by site
    union all
    select site, min(event_date) as day from {{ ref('adverse_events') }} group by site
),

spans as (
    select
        sites.site,
        sites.cutoff,
        cast({{ dbt.date_trunc('month', 'min(first_rows.day)') }} as date) as first_month
    from {{ ref('stg_sites') }} as sites
    inner join first_rows on sites.site = first_rows.site
    group by sites.site, sites.cutoff
),

months as (
    select
        spans.site,
        spans.cutoff,
        cast({{ dbt.dateadd('month', 'later.number', 'spans.first_month') }} as date) as first_day,
        cast({{ dbt.dateadd('month', 'later.number + 1', 'spans.first_month') }} as date)
            as next_month
    from spans
    cross join ({{ counting(4) }}) as later
)

select
    site,
    {{ month_of('first_day') }} as month,
    least({{ days_after('next_month', -1) }}, cutoff) as last_day
from months
where first_day <= cutoff
