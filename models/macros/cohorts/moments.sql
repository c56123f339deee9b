{#- Mean and covariance (divisor n - 1) of a group's decimals, from sums that are exact in any
    order of the rows; doubles, null where there are too few. -#}
{% macro mean_of(value) -%}
    cast(sum({{ value }}) as double) / nullif(count({{ value }}), 0)
{%- endmacro %}


{% macro covariance_of(one, other) -%}
    (
        cast(sum({{ one }} * {{ other }}) as double)
        - cast(sum({{ one }}) as double) * cast(sum({{ other }}) as double) / count(*)
    ) / nullif(count(*) - 1, 0)
{%- endmacro %}
