{#- Makes a table from the rows that another engine has worked out and handed back as Parquet, where
    the build says in which folder they lie; else from the model's own text, as ever. -#}
{% macro duckdb__create_table_as(
    temporary, relation, compiled_code, language='sql', partitioned_by=none, sorted_by=none
) -%}
    {%- set folder = var('handed_back', none) -%}
    {%- set rows = compiled_code -%}
    {%- if folder is not none and model.fqn[-2] in ['courses', 'cohorts'] -%}
        {%- set rows -%}
            select * from read_parquet('{{ folder }}/{{ this.schema }}.db/{{ this.identifier }}/*.parquet')
        {%- endset -%}
    {%- endif -%}
    {{ dbt.duckdb__create_table_as(
        temporary, relation, rows, language, partitioned_by=partitioned_by, sorted_by=sorted_by
    ) }}
{%- endmacro %}
