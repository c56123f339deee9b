{#- A grouping column as published: its value, or `all` on the rows that total over it. Asks
    grouping(), so that a total is never taken for a value that is not known. -#}
{% macro level(column) -%}
    case when grouping({{ column }}) = 1 then 'all' else {{ column }} end
{%- endmacro %}


{#- True on rows that total over any of the published columns. -#}
{% macro is_total(columns) -%}
    (
        {%- for column in columns %}
        {{ column }} = 'all'{{ ' or' if not loop.last }}
        {%- endfor %}
    )
{%- endmacro %}


{#- Two relations' rows of one grain: for the `on` of a join. -#}
{% macro same(columns, one, other) -%}
    {%- for column in columns %}
    {{ 'and ' if not loop.first }}{{ one }}.{{ column }} = {{ other }}.{{ column }}
    {%- endfor %}
{%- endmacro %}
