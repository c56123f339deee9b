{#- Indirect standardisation, each site against all others (definition 13).

        expected = sum over strata of n R' / N',   R' of N' responding in the stratum at other sites
        ratio = observed / expected
        error^2 = m / (m - 1) x sum over the site's patients of
                  (sum of their rows of responders - ratio R' / N' n)^2 / expected^2
    Taylor-linearised, the other sites' rates taken as known.

    relation         rows of patients, eyes or counts
    groups           columns, at least one, none of them ever null: sites are compared within each
    site, stratum    columns; a null stratum is left out
    responders, n    columns, 0 <= responders <= n
    cluster          column or expression that names the patient

    One row per group and site: groups, site, n (in strata that other sites have too), observed,
    expected (both over these), ratio, ratio_se (null where one patient is left). All but n null
    where no other site has the site's strata; ratio null where nobody is expected to respond.
    Source: indirect standardisation as in any text of epidemiology; leaving the site out of its own
    standard is the project's choice. -#}
{% macro indirect_standardisation(
    relation, groups, site='site', stratum='stratum', responders='responders', n='n',
    cluster='patient_key'
) %}
    {%- set by = groups | join(', ') %}
    {%- set by_site = (groups + [site]) | join(', ') %}
    {%- set all_sites = 'partition by ' ~ (groups + [stratum]) | join(', ') %}
    with
    is_strata as (
        select
            {{ by_site }},
            {{ stratum }},
            cast(sum({{ responders }}) as double) as responders,
            cast(sum({{ n }}) as double) as n
        from {{ relation }}
        group by
            {{ by_site }},
            {{ stratum }}
    ),

    is_elsewhere as (
        select
            {{ by_site }},
            {{ stratum }},
            (sum(responders) over ({{ all_sites }}) - responders)
            / nullif(sum(n) over ({{ all_sites }}) - n, 0e0) as rate_elsewhere
        from is_strata
        where {{ stratum }} is not null
    ),

    is_compared as (
        select *
        from is_elsewhere
        where rate_elsewhere is not null
    ),

    is_patients as (
        select
            {{ by_site }},
            {{ cluster }} as cluster_key,
            sum({{ n }}) as n,
            sum({{ responders }}) as observed,
            {{ exact_sum('rate_elsewhere * ' ~ n) }} as expected
        from {{ relation }}
        inner join is_compared using ({{ by_site }}, {{ stratum }})
        where {{ n }} > 0
        group by
            {{ by_site }},
            {{ cluster }}
    ),

    is_ratios as (
        select
            {{ by_site }},
            cast(sum(n) as bigint) as n,
            cast(sum(observed) as bigint) as observed,
            {{ exact_sum('expected') }} as expected,
            cast(sum(observed) as double) / nullif({{ exact_sum('expected') }}, 0e0) as ratio,
            count(*) as clusters
        from is_patients
        group by {{ by_site }}
    ),

    is_spread as (
        select
            {{ by_site }},
            {{ exact_sum(
                'power(is_patients.observed - ratio * is_patients.expected, 2)'
            ) }} as squares
        from is_patients
        inner join is_ratios using ({{ by_site }})
        group by {{ by_site }}
    )

    select
        {{ by_site }},
        coalesce(n, 0) as n,
        observed,
        expected,
        ratio,
        case
            when clusters > 1
                then sqrt(squares * clusters / (clusters - 1)) / nullif(expected, 0e0)
        end as ratio_se
    from (select distinct {{ by_site }} from is_strata) as is_sites
    left join is_ratios using ({{ by_site }})
    left join is_spread using ({{ by_site }})
{% endmacro %}
