{#- Whole days from one date to a later one (negative where it is earlier). -#}
{% macro days_between(earlier, later) -%}
    cast({{ dbt.datediff(earlier, later, 'day') }} as bigint)
{%- endmacro %}


{#- The date a number of days after another; before it where the number is negative. -#}
{% macro days_after(day, days) -%}
    cast({{ dbt.dateadd('day', days, day) }} as date)
{%- endmacro %}


{#- Definition 2: the first day on which a value can still be a course's baseline. -#}
{% macro baseline_from(first_date) -%}
    {{ days_after(first_date, -var('baseline_days')) }}
{%- endmacro %}
