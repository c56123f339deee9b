{#- Each row of a relation once for every level it counts in: with its own value and with `all` in
    each of the dimensions. For estimates that a total cannot add up from its parts. -#}
{% macro in_every_total(relation, columns, dimensions) %}
    select
        {%- for column in dimensions %}
        case when {{ column }}_level.is_all then 'all' else member.{{ column }} end
            as {{ column }},
        {%- endfor %}
        {%- for column in columns %}
        member.{{ column }}{{ ',' if not loop.last }}
        {%- endfor %}
    from {{ relation }} as member
    {%- for column in dimensions %}
    cross join (select true as is_all union all select false as is_all) as {{ column }}_level
    {%- endfor %}
{% endmacro %}
