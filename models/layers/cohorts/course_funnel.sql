{%- set reasons = end_reasons() -%}
with
assessed as (
    select
        site,
        {{ month_of('visit_date') }} as month,
        count(distinct patient_key) as assessed
    from {{ ref('stg_visits') }}
    where visit_reason = 'assessment'
    group by 1, 2
),

decided as (
    select
        site,
        {{ month_of('decided_on') }} as month,
        count(distinct patient_key) filter (
            where decision in ('recommended', 'accepted', 'declined', 'deferred')
        ) as recommended,
        count(distinct patient_key) filter (where decision = 'accepted') as accepted
    from {{ ref('stg_plans') }}
    group by 1, 2
),

started as (
    select
        site,
        {{ month_of('first_date') }} as month,
        count(*) as started,
        count(*) filter (where state = 'completed') as completed,
        count(*) filter (where state = 'stopped') as stopped,
        {%- for reason in reasons %}
        count(*) filter (where state = 'stopped' and end_reason = '{{ reason }}')
            as end_{{ reason }}{{ ',' if not loop.last }}
        {%- endfor %}
    from {{ ref('courses') }}
    group by 1, 2
),

planning_sites as (
    select distinct site from {{ ref('stg_plans') }}
)

select
    site_months.site,
    site_months.month,
    coalesce(assessed.assessed, 0) as assessed,
    case when planning_sites.site is not null then coalesce(decided.recommended, 0) end
        as recommended,
    case when planning_sites.site is not null then coalesce(decided.accepted, 0) end as accepted,
    coalesce(started.started, 0) as started,
    coalesce(started.completed, 0) as completed,
    coalesce(started.stopped, 0) as stopped,
    {%- for reason in reasons %}
    coalesce(started.end_{{ reason }}, 0) as end_{{ reason }}{{ ',' if not loop.last }}
    {%- endfor %}
from {{ ref('site_months') }} as site_months
left join assessed
    on site_months.site = assessed.site and site_months.month = assessed.month
left join decided
    on site_months.site = decided.site and site_months.month = decided.month
left join started
    on site_months.site = started.site and site_months.month = started.month
left join planning_sites
    on site_months.site = planning_sites.site
