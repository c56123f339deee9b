{#- How much more sites vary than the binomial allows (definition 13), for wider funnel limits.

        z = (observed - expected) / sqrt(expected (1 - expected / n))
        overdispersion = the larger of 1 and the mean of z^2
    with the lowest and the highest tenth of the z's (whole sites, rounded down) set to the next
    one, so that the outliers which the funnel is to show do not widen it.

    relation               one row per site
    groups                 columns, at least one, none of them ever null: sites taken together
    observed, expected, n  columns of indirect_standardisation.sql
    least_sites            below so many sites nothing is estimated

    One row per group: groups, sites (with a z: expected is neither 0 nor n), overdispersion (null
    below least_sites).
    Source: Spiegelhalter DJ, Stat Med 2005;24:1185-1202 (from memory); that it is never below 1 and
    estimated from 10 sites on are the project's choices. -#}
{% macro overdispersion(
    relation, groups, observed='observed', expected='expected', n='n', least_sites=10
) %}
    {%- set by = groups | join(', ') %}
    with
    od_scores as (
        select
            {{ by }},
            ({{ observed }} - {{ expected }})
            / sqrt({{ expected }} * (1e0 - {{ expected }} / {{ n }})) as score
        from {{ relation }}
        where {{ expected }} > 0 and {{ expected }} < {{ n }}
    ),

    od_ranked as (
        select
            {{ by }},
            score,
            row_number() over (partition by {{ by }} order by score nulls last) as place,
            count(*) over (partition by {{ by }}) as sites
        from od_scores
    ),

    od_bounds as (
        select
            {{ by }},
            sites,
            min(case when place > floor(sites / 10e0) then score end) as lowest,
            max(case when place <= sites - floor(sites / 10e0) then score end) as highest
        from od_ranked
        group by
            {{ by }},
            sites
    )

    select
        {{ by }},
        sites,
        case
            when sites >= {{ least_sites }}
                then greatest(
                    1e0,
                    {{ exact_sum('power(least(greatest(score, lowest), highest), 2)') }} / sites
                )
        end as overdispersion
    from od_scores
    inner join od_bounds using ({{ by }})
    group by
        {{ by }},
        sites
{% endmacro %}
