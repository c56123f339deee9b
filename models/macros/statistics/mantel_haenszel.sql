{#- Mantel and Haenszel's comparison of two arms over strata.

    With r of n responding in the treated arm, s of m in the reference, N = n + m, in each stratum:
        difference = sum of (r m - s n) / N over sum of n m / N
        odds ratio = sum of r (m - s) / N over sum of s (n - r) / N
        chi-square = (|sum of (r - E)| - c)^2 / sum of V,   E = n (r + s) / N,
        V = n m (r + s) (N - r - s) / (N^2 (N - 1)),   c = 1/2 with continuity correction, else 0
    Strata that lack an arm add nothing. The difference's error is clustered by patient
    (rate_combination.sql with the weights n m / N); what comes after it assumes independent rows.

    relation, groups, treated, stratum, responders, n   as in arms_by_stratum.sql; a null stratum
                     is left out
    cluster          column or expression that names the patient

    One row per group: groups, strata (with both arms), difference, difference_se, odds_ratio,
    odds_ratio_low, odds_ratio_high, chi_square, chi_square_corrected (1 degree of freedom).
    Null where no stratum has both arms; odds ratio and limits also where nobody, or everybody,
    responds in one arm of all strata, chi-square where nobody or everybody does in both.
    Source: Mantel N, Haenszel W, J Natl Cancer Inst 1959;22:719-748; limits: Robins J, Breslow N,
    Greenland S, Biometrics 1986;42:311-323 (both from memory), as R's mantelhaen.test. -#}
{% macro mantel_haenszel(
    relation, groups, treated, stratum, responders='responders', n='n', cluster='patient_key'
) %}
    {%- set by = groups | join(', ') %}
    with
    mh_arms as (
        {{ arms_by_stratum(relation, groups, treated, stratum, responders, n) | indent(4) }}
    ),

    mh_strata as (
        select
            {{ by }},
            {{ stratum }},
            n * reference_n / (n + reference_n) as weight,
            responders * (reference_n - reference_responders) / (n + reference_n) as concordant,
            reference_responders * (n - responders) / (n + reference_n) as discordant,
            (responders + reference_n - reference_responders) / (n + reference_n) as agreeing,
            responders - n * (responders + reference_responders) / (n + reference_n) as excess,
            n * reference_n * (responders + reference_responders)
            * (n + reference_n - responders - reference_responders)
            / ((n + reference_n) * (n + reference_n) * (n + reference_n - 1e0)) as variance
        from mh_arms
        where {{ stratum }} is not null and n > 0 and reference_n > 0
    ),

    mh_sums as (
        select
            {{ by }},
            count(*) as strata,
            {{ exact_sum('concordant') }} as concordant,
            {{ exact_sum('discordant') }} as discordant,
            {{ exact_sum('agreeing * concordant') }} as agreeing_concordant,
            {{ exact_sum('agreeing * discordant + (1e0 - agreeing) * concordant') }} as crossed,
            {{ exact_sum('(1e0 - agreeing) * discordant') }} as disagreeing_discordant,
            abs({{ exact_sum('excess') }}) as excess,
            nullif({{ exact_sum('variance') }}, 0e0) as variance
        from mh_strata
        group by {{ by }}
    ),

    mh_ratios as (
        select
            mh_sums.*,
            concordant / nullif(discordant, 0e0) as odds_ratio,
            sqrt(
                agreeing_concordant / (2e0 * nullif(concordant * concordant, 0e0))
                + crossed / (2e0 * nullif(concordant * discordant, 0e0))
                + disagreeing_discordant / (2e0 * nullif(discordant * discordant, 0e0))
            ) as log_error
        from mh_sums
    ),

    mh_weights as (
        select
            {{ by }},
            {{ stratum }},
            weight / {{ exact_sum('weight', 'partition by ' ~ by) }} as share
        from mh_strata
    ),

    mh_rows as (
        select
            {{ by }},
            {{ stratum }},
            {{ treated }} as treated,
            {{ cluster }} as cluster_key,
            {{ responders }} as responders,
            {{ n }} as n,
            case when {{ treated }} then share else -share end as weight
        from {{ relation }}
        inner join mh_weights using ({{ by }}, {{ stratum }})
    ),

    mh_differences as (
        {{ rate_combination('mh_rows', groups, [stratum, 'treated'], cluster='cluster_key')
            | indent(4) }}
    )

    select
        {{ by }},
        coalesce(strata, 0) as strata,
        estimate as difference,
        standard_error as difference_se,
        odds_ratio,
        odds_ratio * exp(-{{ z_95() }} * log_error) as odds_ratio_low,
        odds_ratio * exp({{ z_95() }} * log_error) as odds_ratio_high,
        excess * excess / variance as chi_square,
        power(excess - least(excess, 0.5e0), 2) / variance as chi_square_corrected
    from (select distinct {{ by }} from mh_arms) as mh_groups
    left join mh_ratios using ({{ by }})
    left join mh_differences using ({{ by }})
{% endmacro %}
