{#- Counts over a yes/no expression that is null where nothing was recorded. -#}

{#- How many are true; null where none is recorded. -#}
{% macro count_true(mark) -%}
    cast(sum(case when {{ mark }} then 1 when not {{ mark }} then 0 end) as bigint)
{%- endmacro %}


{#- Share that are true of those recorded; null where none is recorded. -#}
{% macro share_true(mark) -%}
    avg(case when {{ mark }} then 1 when not {{ mark }} then 0 end)
{%- endmacro %}
