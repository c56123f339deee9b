{#- The median of a group's values, the mean of the middle two where they are even in number;
    nulls do not count, null where there is none. A double. -#}
{% macro median(value) -%}
    {{ adapter.dispatch('median', 'lidcohort')(value) }}
{%- endmacro %}


{% macro default__median(value) -%}
    median(cast({{ value }} as double))
{%- endmacro %}
