{#- A model's schema is the name of the folder it lies in; a seed's is `seeds`. -#}
{% macro generate_schema_name(custom_schema_name, node) -%}
    {%- if node.resource_type == 'model' -%}
        {{ node.fqn[-2] }}
    {%- else -%}
        {{ custom_schema_name or target.schema }}
    {%- endif -%}
{%- endmacro %}
