{#- One row per cell that a relation's rows lie in: the grain's columns and `cell`, a number. Curves
    of many cells are much quicker worked out by one number than by many codes. -#}
{% macro numbered_cells(relation, grain) %}
    select
        row_number() over (
            order by
                {%- for column in grain %}
                {{ column }} nulls last{{ ',' if not loop.last }}
                {%- endfor %}
        ) as cell,
        {%- for column in grain %}
        {{ column }}{{ ',' if not loop.last }}
        {%- endfor %}
    from (select distinct {{ grain | join(', ') }} from {{ relation }}) as combinations
{% endmacro %}
