{#- The median of a group's values, the mean of the middle two where they are even in number;
    nulls do not count, null where there is none. A double. -#}
{% macro median(value) -%}
    {{ adapter.dispatch('median', 'lidcohort')(value) }}
{%- endmacro %}


{% macro duckdb__median(value) -%}
    median(cast({{ value }} as double))
{%- endmacro %}


{#- Spark's own weighs the middle two otherwise, and 2.75 can come out as 2.7499999999999996. -#}
{% macro spark__median(value) -%}
    {%- set in_order = 'within group (order by cast(' ~ value ~ ' as double)' -%}
    {%- set lower = 'percentile_disc(0.5) ' ~ in_order ~ ')' -%}
    {%- set upper = 'percentile_disc(0.5) ' ~ in_order ~ ' desc)' -%}
    ({{ lower }} + {{ upper }}) / 2e0
{%- endmacro %}
