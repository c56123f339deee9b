{#- The calendar month of a date as published: YYYY-MM. -#}
{% macro month_of(day) -%}
    substring(cast({{ day }} as {{ dbt.type_string() }}), 1, 7)
{%- endmacro %}


{#- One row per site and month, from the site's first batch or first row, whichever is earlier, to
    its cutoff: site, month, last_day (of the month, or the cutoff where that comes before).
    Other treatments do not open a month: they may have begun years before the clinic's exports. -#}
{% macro site_months() %}
    select
        site,
        {{ month_of('first_day') }} as month,
        least(
            cast({{ dbt.dateadd('day', -1, dbt.dateadd('month', 1, 'first_day')) }} as date), cutoff
        ) as last_day
    from (
        select
            spans.site,
            spans.cutoff,
            cast({{ dbt.dateadd('month', 'numbers.number - 1', 'spans.first_month') }} as date)
                as first_day
        from (
            select
                sites.site,
                sites.cutoff,
                cast({{ dbt.date_trunc('month', 'min(starts.day)') }} as date) as first_month
            from {{ ref('stg_sites') }} as sites
            inner join (
                select site, first_day as day from {{ ref('stg_batches') }}
                union all
                select site, visit_date as day from {{ ref('stg_visits') }}
                union all
                select site, session_date as day from {{ ref('stg_sessions') }}
                union all
                select site, assessed_date as day from {{ ref('stg_outcomes') }}
                union all
                select site, decided_on as day from {{ ref('stg_plans') }}
                union all
                select site, onset_date as day from {{ ref('stg_adverse_events') }}
            ) as starts
                on sites.site = starts.site
            group by sites.site, sites.cutoff
        ) as spans
        cross join ({{ whole_numbers(1200) }}) as numbers
    ) as site_month
    where first_day <= cutoff
{% endmacro %}
