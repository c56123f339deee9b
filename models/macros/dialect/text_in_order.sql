{#- A group's texts in their order, one after the other: equal where the groups hold the same. -#}
{% macro text_in_order(text) -%}
    {{ adapter.dispatch('text_in_order', 'lidcohort')(text) }}
{%- endmacro %}


{% macro duckdb__text_in_order(text) -%}
    string_agg({{ text }}, ';' order by {{ text }} nulls last)
{%- endmacro %}


{% macro spark__text_in_order(text) -%}
    array_join(array_sort(collect_list({{ text }})), ';')
{%- endmacro %}
