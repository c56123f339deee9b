{#- Definition 1: a course's name, from its patient and first date. -#}
{% macro course_id(site, patient_key, first_date) -%}
    {{ site }} || '/' || {{ patient_key }} || '/' || cast({{ first_date }} as {{ dbt.type_string() }})
{%- endmacro %}
