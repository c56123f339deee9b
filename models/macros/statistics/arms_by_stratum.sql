{#- Two arms side by side in each stratum, for what compares them.

    relation         rows of patients, eyes or counts
    groups           columns, at least one, none of them ever null: one comparison for each
    treated          column: true in the arm compared, false in the reference
    stratum          column; null is no stratum and kept apart
    responders, n    columns, 0 <= responders <= n

    One row per group and stratum: groups, stratum, n, responders, reference_n,
    reference_responders (doubles, 0 where the arm has nobody there). -#}
{% macro arms_by_stratum(relation, groups, treated, stratum, responders='responders', n='n') %}
    {%- set by = groups | join(', ') %}
    select
        {{ by }},
        {{ stratum }},
        {{ _sum_where(n, '(' ~ treated ~ ')') }} as n,
        {{ _sum_where(responders, '(' ~ treated ~ ')') }} as responders,
        {{ _sum_where(n, 'not (' ~ treated ~ ')') }} as reference_n,
        {{ _sum_where(responders, 'not (' ~ treated ~ ')') }} as reference_responders
    from {{ relation }}
    group by
        {{ by }},
        {{ stratum }}
{% endmacro %}


{% macro _sum_where(column, condition) -%}
    cast(coalesce(sum({{ column }}) filter (where {{ condition }}), 0) as double)
{%- endmacro %}
