{%- set of_month = [
    'new_courses', 'sessions', 'treated_patients', 'chair_minutes', 'completed', 'stopped',
    'matured', 'due', 'overdue', 'harms', 'sessions_asked', 'refused_rows',
] -%}
{%- set by_rule = ['evaluable', 'responders', 'unchanged', 'worsened'] -%}
with said as (
    {%- for figure in of_month %}
    select
        site,
        month,
        '{{ figure }}' as figure,
        cast({{ figure }} as decimal(18, 6)) as value
    from {{ ref('month_summary') }}
    union all
    {%- endfor %}
    {%- for figure in by_rule %}
    select
        site,
        month,
        rule || '_{{ figure }}' as figure,
        cast({{ figure }} as decimal(18, 6)) as value
    from {{ ref('month_outcomes') }}
    {%- if not loop.last %}
    union all
    {%- endif %}
    {%- endfor %}
)

select
    said.site,
    said.month,
    site_months.last_day,
    said.figure,
    said.value
from said
inner join {{ ref('site_months') }} as site_months
    on said.site = site_months.site and said.month = site_months.month
