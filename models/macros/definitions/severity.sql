{#- Definition 5: a value lies in a row of the seed severity_bands; its upper end is left out. -#}
{% macro lies_in_band(value, bands) -%}
    {{ value }} >= {{ bands }}.at_least
    and ({{ bands }}.below is null or {{ value }} < {{ bands }}.below)
{%- endmacro %}
