{#- Definition 2: the mean of one day's values, exact to six places whatever their order. -#}
{% macro mean_of_day(value) -%}
    cast(sum({{ value }}) / count({{ value }}) as decimal(18, 6))
{%- endmacro %}
