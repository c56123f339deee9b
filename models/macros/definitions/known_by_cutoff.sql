{#- A column's value, empty where its own day lies after the site's cutoff: what happened then does
    not exist yet, though the row does. -#}
{% macro known_by_cutoff(column, day) -%}
    case when {{ day }} is null or {{ day }} <= cutoff then {{ column }} end
{%- endmacro %}
