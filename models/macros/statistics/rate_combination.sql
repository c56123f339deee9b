{#- A weighted sum of the rates of several cells, with its error clustered by patient.

        estimate = sum over cells of weight R / N,   R = sum of responders, N = sum of n in the cell
        error^2 = m / (m - 1) x sum over clusters of z^2,
        z = sum over the cluster's rows of weight (responders - R / N n) / N
    Taylor-linearised, the weights held fixed. One cell of weight 1 gives a rate with its clustered
    error; two of 1 and -1 a difference in which patients in both cells are paired with themselves.

    relation         rows of patients, eyes or counts; those with n = 0 or weight null count nowhere
    groups           columns, at least one, none of them ever null: one sum for each combination
    cells            columns that make the cells within a group
    weight           column, the same on all rows of a cell
    responders, n    columns, 0 <= responders <= n; 1 at most and 1 for rows of single courses
    cluster          column or expression that names the patient

    One row per group: groups, clusters (m), estimate, standard_error (null where m is 1).
    Source: linearisation of ratios, Binder DA, Int Stat Rev 1983;51:279-292 (from memory);
    m / (m - 1) as the survey literature has it. -#}
{% macro rate_combination(
    relation, groups, cells, weight='weight', responders='responders', n='n', cluster='patient_key'
) %}
    {%- set by = groups | join(', ') %}
    {%- set by_cell = (groups + cells) | join(', ') %}
    with
    rc_rows as (
        select
            {{ by_cell }},
            {{ cluster }} as cluster_key,
            max({{ weight }}) as weight,
            cast(sum({{ responders }}) as double) as responders,
            cast(sum({{ n }}) as double) as n
        from {{ relation }}
        where {{ n }} > 0 and {{ weight }} is not null
        group by
            {{ by_cell }},
            {{ cluster }}
    ),

    rc_cells as (
        select
            {{ by_cell }},
            cast(max(weight) as double) / sum(n) as per_row,
            sum(responders) / sum(n) as rate,
            cast(max(weight) as double) * sum(responders) / sum(n) as part
        from rc_rows
        group by {{ by_cell }}
    ),

    rc_estimates as (
        select
            {{ by }},
            {{ exact_sum('part') }} as estimate
        from rc_cells
        group by {{ by }}
    ),

    rc_clusters as (
        select
            {{ by }},
            cluster_key,
            {{ exact_sum('per_row * (responders - rate * n)') }} as deviation
        from rc_rows
        inner join rc_cells using ({{ by_cell }})
        group by
            {{ by }},
            cluster_key
    ),

    rc_spread as (
        select
            {{ by }},
            count(*) as clusters,
            {{ exact_sum('deviation * deviation') }} as squares
        from rc_clusters
        group by {{ by }}
    )

    select
        {{ by }},
        clusters,
        estimate,
        case when clusters > 1 then sqrt(squares * clusters / (clusters - 1)) end as standard_error
    from rc_estimates
    inner join rc_spread using ({{ by }})
{% endmacro %}
