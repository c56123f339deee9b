{#- The calendar month of a date as published: YYYY-MM. -#}
{% macro month_of(day) -%}
    substring(cast({{ day }} as {{ dbt.type_string() }}), 1, 7)
{%- endmacro %}
