{#- The calendar month of a date as published: YYYY-MM. -#}
{% macro month_of(day) -%}
    substring(cast({{ day }} as {{ dbt.type_string() }}), 1, 7)
{%- endmacro %}


{#- The day on which a course becomes mature (definition 7), and on which a stopped one is known as
    such: course_gap_days and one more after its last date. -#}
{% macro known_on(last_date) -%}
    {{ days_after(last_date, var('course_gap_days') + 1) }}
{%- endmacro %}
