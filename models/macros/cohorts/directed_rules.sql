{#- Response rules with the column `direction`: 1 where a lower value is better, -1 where a higher
    one is, so that direction x value is always the worse the greater.

    rules   a relation with rule and better; the group's own where it is left out -#}
{% macro directed_rules(rules=none) %}
    select
        response_rules.*,
        case better when 'lower' then 1 else -1 end as direction
    from {{ rules or ref('response_rules') }} as response_rules
{% endmacro %}
