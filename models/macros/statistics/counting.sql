{#- The whole numbers from 0 to 10^digits - 1, as the column `number`. -#}
{% macro counting(digits) %}
    select
        {%- for place in range(digits) %}
        {{ '+ ' if not loop.first }}cast(place_{{ place }}.digit as bigint) * {{ 10 ** place }}
        {%- endfor %} as number
    from
        {%- for place in range(digits) %}
        {{ 'cross join ' if not loop.first }}(
            values (0), (1), (2), (3), (4), (5), (6), (7), (8), (9)
        ) as place_{{ place }} (digit)
        {%- endfor %}
{% endmacro %}
