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
        {%- for side, prefix in (('', ''), ('not ', 'reference_')) %}
        {%- for column in (n, responders) %}
        cast(
            coalesce(sum({{ column }}) filter (where {{ side }}{{ treated }}), 0) as double
        ) as {{ prefix }}{{ 'n' if loop.first else 'responders' }}
        {{- ',' if not loop.last or side == '' }}
        {%- endfor %}
        {%- endfor %}
    from {{ relation }}
    group by
        {{ by }},
        {{ stratum }}
{% endmacro %}
