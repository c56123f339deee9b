{#- Whether two arms differ by the same amount in every stratum (Cochran's Q of the differences).

        Q = sum over strata of (d - mean)^2 / e^2,   mean = sum of d / e^2 over sum of 1 / e^2
    with d the difference of the arms' rates in a stratum and e its error, clustered by patient
    within the stratum (rate_combination.sql). Large Q: one arm suits some strata better.

    relation, groups, treated, stratum, responders, n   as in arms_by_stratum.sql; a null stratum
                     is left out
    cluster          column or expression that names the patient

    One row per group that has a stratum with both arms: groups, strata (those whose difference has
    an error above 0; the others cannot be weighed and are left out), q, p_value by chi-square with
    strata - 1 degrees of freedom; both null with fewer than two strata.
    Assumes strata large enough for a normal d, and takes them as independent though a patient may
    have courses in two. Source: Cochran WG, Biometrics 1954;10:101-129 (from memory). -#}
{% macro homogeneity(
    relation, groups, treated, stratum, responders='responders', n='n', cluster='patient_key'
) %}
    {%- set by = groups | join(', ') %}
    with
    ho_arms as (
        {{ arms_by_stratum(relation, groups, treated, stratum, responders, n) | indent(4) }}
    ),

    ho_both as (
        select
            {{ by }},
            {{ stratum }}
        from ho_arms
        where {{ stratum }} is not null and n > 0 and reference_n > 0
    ),

    ho_rows as (
        select
            {{ by }},
            {{ stratum }},
            {{ treated }} as treated,
            {{ cluster }} as cluster_key,
            {{ responders }} as responders,
            {{ n }} as n,
            case when {{ treated }} then 1e0 else -1e0 end as weight
        from {{ relation }}
        inner join ho_both using ({{ by }}, {{ stratum }})
    ),

    ho_differences as (
        {{ rate_combination('ho_rows', groups + [stratum], ['treated'], cluster='cluster_key')
            | indent(4) }}
    ),

    ho_weighed as (
        select
            {{ by }},
            estimate,
            case when standard_error > 0 then 1e0 / (standard_error * standard_error) end as weight
        from ho_differences
    ),

    ho_centred as (
        select
            {{ by }},
            weight,
            estimate
            - {{ exact_sum('weight * estimate', 'partition by ' ~ by) }}
            / {{ exact_sum('weight', 'partition by ' ~ by) }} as deviation
        from ho_weighed
    ),

    ho_sums as (
        select
            {{ by }},
            count(weight) as strata,
            case when count(weight) > 1 then {{ exact_sum('weight * deviation * deviation') }} end
                as q
        from ho_centred
        group by {{ by }}
    )

    select
        ho_sums.*,
        {{ chi_square_above('q', 'greatest(strata - 1, 1)') }} as p_value
    from ho_sums
{% endmacro %}
