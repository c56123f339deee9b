{#- A sum of doubles that comes out the same whatever the order of the rows and the number of
    threads: each term is rounded to 24 decimal places and these are added as whole numbers.

    expression   a double, finite; the terms and their sum below 1e14 in size
    over         what stands in `over (...)` for a running sum; none for an aggregate

    Null where there is no term. Spark's and DuckDB's decimals hold 38 places. -#}
{% macro exact_sum(expression, over=none) -%}
    cast(
            sum({{ exact(expression) }})
            {%- if over %} over ({{ over }}){% endif %} as double
        )
{%- endmacro %}


{#- A number as a decimal of 24 places, which adds without rounding. -#}
{% macro exact(expression) -%}
    cast({{ expression }} as decimal(38, 24))
{%- endmacro %}
