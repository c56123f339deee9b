{#- Log-rank test of two arms' times to an event, stratified if wished.

    At each time with d events among n at risk, e and m of them in the treated arm, in each stratum:
        observed = sum of e,   expected = sum of d m / n,
        variance = sum of d (n - d) m (n - m) / (n^2 (n - 1))
        chi-square = (observed - expected)^2 / variance,   1 degree of freedom

    relation   one row per subject, eye or spell
    groups     columns, at least one, none of them ever null: one test for each combination
    treated    column: true in the arm compared, false in the other
    time       when the row was last seen, or had its event
    event      true or 1 where it had the event then
    entry      optional: as in kaplan_meier.sql
    strata     optional: columns within which the arms are compared, none of them ever null

    One row per group: groups, observed, expected (events in the treated arm), variance, chi_square,
    p_value; the last two null where the variance is 0: no event, one arm empty in every stratum.
    Assumes independent rows, and that those who are no longer seen fare as those who are.
    Source: Mantel N, Cancer Chemother Rep 1966;50:163-170 (from memory), as R's survdiff. -#}
{% macro log_rank(
    relation, groups, treated, time='days', event='event', entry=none, strata=[]
) %}
    {%- set by = groups | join(', ') %}
    {%- set by_stratum = (groups + strata) | join(', ') %}
    with
    lr_changes as (
        select
            {{ by_stratum }},
            {{ time }} as time,
            case when {{ treated }} then 1 else 0 end as arm,
            case when cast({{ event }} as integer) = 1 then 1 else 0 end as events,
            1 as leaving
        from {{ relation }}
        where
            {{ time }} is not null
            {%- if entry %}
            and ({{ entry }} is null or {{ entry }} < {{ time }})

        union all

        select
            {{ by_stratum }},
            {{ entry }} as time,
            case when {{ treated }} then 1 else 0 end as arm,
            0 as events,
            -1 as leaving
        from {{ relation }}
        where {{ entry }} < {{ time }}
            {%- endif %}
    ),

    lr_times as (
        select
            {{ by_stratum }},
            time,
            sum(events) as events,
            sum(arm * events) as arm_events,
            sum(leaving) as leaving,
            sum(arm * leaving) as arm_leaving
        from lr_changes
        group by
            {{ by_stratum }},
            time
    ),

    lr_risk as (
        select
            {{ by }},
            cast(events as double) as events,
            cast(arm_events as double) as arm_events,
            cast(sum(leaving) over ({{ from_now(by_stratum) }}) as double) as at_risk,
            cast(sum(arm_leaving) over ({{ from_now(by_stratum) }}) as double) as arm_at_risk
        from lr_times
    ),

    lr_sums as (
        select
            {{ by }},
            coalesce({{ exact_sum('arm_events') }}, 0e0) as observed,
            {{ exact_sum('case when events > 0 then events * arm_at_risk / at_risk else 0e0 end') }}
                as expected,
            {{ exact_sum(
                'case when events > 0 and at_risk > 1 then events * (at_risk - events)'
                ~ ' * arm_at_risk * (at_risk - arm_at_risk)'
                ~ ' / (at_risk * at_risk * (at_risk - 1e0)) else 0e0 end'
            ) }} as variance
        from lr_risk
        group by {{ by }}
    )

    select
        {{ by }},
        cast(observed as bigint) as observed,
        expected,
        variance,
        power(observed - expected, 2) / nullif(variance, 0e0) as chi_square,
        {{ two_sided_p('(observed - expected) / sqrt(nullif(variance, 0e0))') }} as p_value
    from lr_sums
{% endmacro %}
