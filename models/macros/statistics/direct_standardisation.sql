{#- Direct standardisation: the rate a group would have if its strata were mixed as in a standard
    population, with its error clustered by patient.

        standardised = sum over strata of w R / N,   w = standard / sum of standard
    The error is that of rate_combination.sql: Taylor-linearised, the weights held fixed.

    relation         rows of patients, eyes or counts; those with n = 0 or no stratum or no standard
                     count only in the crude rate, or nowhere
    groups           columns, at least one, none of them ever null: one rate for each combination
    stratum          column
    standard         column: the standard population of the row's stratum, >= 0, in any unit
    responders, n    columns, 0 <= responders; n may be person-time
    cluster          column or expression that names the patient

    One row per group: groups, n, crude_rate, clusters, standardised_rate, standardised_se (null
    where there is one patient). Over the strata that the group has: where it has none of a stratum
    its rate there is unknown and the rest of the standard is taken for the whole.
    Assumes that nothing but the stratum needs adjusting.
    Source: as in Fleiss JL (1981) p. 249, by way of R's epitools. -#}
{% macro direct_standardisation(
    relation, groups, stratum, standard, responders='responders', n='n', cluster='patient_key'
) %}
    {%- set by = groups | join(', ') %}
    with
    ds_crude as (
        select
            {{ by }},
            sum({{ n }}) as n,
            cast(sum({{ responders }}) as double) / nullif(sum({{ n }}), 0) as crude_rate
        from {{ relation }}
        group by {{ by }}
    ),

    ds_strata as (
        select
            {{ by }},
            {{ stratum }},
            cast(max({{ standard }}) as double) as standard
        from {{ relation }}
        where {{ n }} > 0 and {{ stratum }} is not null and {{ standard }} is not null
        group by
            {{ by }},
            {{ stratum }}
    ),

    ds_mix as (
        select
            {{ by }},
            {{ stratum }},
            standard / nullif({{ exact_sum('standard', 'partition by ' ~ by) }}, 0e0) as mix
        from ds_strata
    ),

    ds_rows as (
        select
            {{ by }},
            {{ stratum }},
            {{ cluster }} as cluster_key,
            {{ responders }} as responders,
            {{ n }} as n,
            mix as weight
        from {{ relation }}
        inner join ds_mix using ({{ by }}, {{ stratum }})
    ),

    ds_rates as (
        {{ rate_combination('ds_rows', groups, [stratum], cluster='cluster_key') | indent(4) }}
    )

    select
        {{ by }},
        n,
        crude_rate,
        clusters,
        estimate as standardised_rate,
        standard_error as standardised_se
    from ds_crude
    left join ds_rates using ({{ by }})
{% endmacro %}
