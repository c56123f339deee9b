{#- Two arms compared after direct standardisation to their own joint mix of strata
    (definition 12), clustered by patient.

    Over the strata where both arms have somebody, with N of both arms together in the stratum:
        rate of an arm = sum of w R / n,   w = N / sum of N
        difference = treated - reference
    Its error is that of rate_combination.sql: Taylor-linearised, the mix held fixed, a patient in
    both arms or several strata taken as one cluster. Limits and p-value are normal.

    relation, groups, treated, stratum, responders, n   as in arms_by_stratum.sql
    cluster          column or expression that names the patient

    One row per group: groups, n, reference_n, crude_rate, reference_crude_rate (over all rows);
    share_in_overlap (of both arms' n); standardised_rate, reference_standardised_rate, difference,
    difference_se, difference_low, difference_high, p_value. A crude rate is null where the arm has
    nobody, what is standardised where no stratum has both arms; limits and p-value also where the
    error is 0 or unknown, since nothing then tells how much is chance.
    Assumes that within a stratum the arms differ by nothing else that matters. -#}
{% macro standardised_difference(
    relation, groups, treated, stratum, responders='responders', n='n', cluster='patient_key'
) %}
    {%- set by = groups | join(', ') %}
    with
    sd_arms as (
        {{ arms_by_stratum(relation, groups, treated, stratum, responders, n) | indent(4) }}
    ),

    sd_crude as (
        select
            {{ by }},
            sum(n) as n,
            sum(reference_n) as reference_n,
            sum(responders) / nullif(sum(n), 0) as crude_rate,
            sum(reference_responders) / nullif(sum(reference_n), 0) as reference_crude_rate
        from sd_arms
        group by {{ by }}
    ),

    sd_overlap as (
        select
            sd_arms.*,
            (n + reference_n) / sum(n + reference_n) over (partition by {{ by }}) as mix
        from sd_arms
        where {{ stratum }} is not null and n > 0 and reference_n > 0
    ),

    sd_rates as (
        select
            {{ by }},
            sum(n + reference_n) as in_overlap,
            {{ exact_sum('mix * responders / n') }} as standardised_rate,
            {{ exact_sum('mix * reference_responders / reference_n') }}
                as reference_standardised_rate
        from sd_overlap
        group by {{ by }}
    ),

    sd_mix as (
        select
            {{ by }},
            {{ stratum }},
            mix
        from sd_overlap
    ),

    sd_rows as (
        select
            {{ by }},
            {{ stratum }},
            {{ treated }} as treated,
            {{ cluster }} as cluster_key,
            {{ responders }} as responders,
            {{ n }} as n,
            case when {{ treated }} then mix else -mix end as weight
        from {{ relation }}
        inner join sd_mix using ({{ by }}, {{ stratum }})
    ),

    sd_differences as (
        {{ rate_combination('sd_rows', groups, [stratum, 'treated'], cluster='cluster_key')
            | indent(4) }}
    )

    select
        {{ by }},
        cast(n as bigint) as n,
        cast(reference_n as bigint) as reference_n,
        crude_rate,
        reference_crude_rate,
        coalesce(in_overlap, 0e0) / (n + reference_n) as share_in_overlap,
        standardised_rate,
        reference_standardised_rate,
        estimate as difference,
        standard_error as difference_se,
        {{ difference_low('estimate', 'standard_error') }} as difference_low,
        {{ difference_high('estimate', 'standard_error') }} as difference_high,
        {{ two_sided_p('estimate / nullif(standard_error, 0e0)') }} as p_value
    from sd_crude
    left join sd_rates using ({{ by }})
    left join sd_differences using ({{ by }})
{% endmacro %}


{#- Normal 95 % limits of a difference of shares, kept within -1 to 1; null where the error is 0 or
    unknown. -#}
{% macro difference_low(difference, error) -%}
    case when {{ error }} > 0 then greatest({{ difference }} - {{ z_95() }} * {{ error }}, -1e0) end
{%- endmacro %}


{% macro difference_high(difference, error) -%}
    case when {{ error }} > 0 then least({{ difference }} + {{ z_95() }} * {{ error }}, 1e0) end
{%- endmacro %}
