{#- Between which shares a new group's own lies in at least 99.8 % of samples if nothing but chance
    sets it apart from an earlier group: the limits of a control chart whose level is itself only
    estimated.

    With r of m in the earlier group and n in the new one, a count y lies beyond the limits where
    Fisher's exact test of the two, on one side, gives .001 or less:
        P(Y <= y) <= .001   or   P(Y >= y) <= .001,   Y hypergeometric given r + y
    which are the tails of beta-binomial variables that do not depend on y:
        P(Y <= y) = P(B <= y),   B beta-binomial of n with r and m - r + 1
    and for the upper one the same with those who did not respond. The limits are the least and the
    greatest count within, over n.

    relation        one row per new group
    keys            columns, at least one, that tell its rows apart, none of them ever null
    n               column: the new group's number, a whole one
    before          column: responders of the earlier group, a whole number
    before_n        column: the earlier group's number, a whole one

    One row per row of the relation: keys, low, high, within 0 to 1; null where either group is
    empty or null. Holds up to n of a hundred thousand. Limits for the new group alone, with the
    earlier share taken as known (funnel_limits.sql), would call far more months news: with 30
    before and 40 now, one in twenty.
    Source: prediction limits for a binomial, Thatcher AR, J R Stat Soc B 1964;26:176-210 (from
    memory). -#}
{% macro prediction_limits(relation, keys, n='n', before='before', before_n='before_n') %}
    {%- set by = keys | join(', ') %}
    {%- set ascending = 'partition by ' ~ by ~ ', side order by seen nulls last'
        ~ ' rows between unbounded preceding and current row' %}
    with
    pl_units as (
        select
            {{ by }},
            cast({{ n }} as bigint) as size,
            cast({{ before }} as bigint) as had,
            cast({{ before_n }} - {{ before }} as bigint) as had_not
        from {{ relation }}
    ),

    pl_sides as (
        select {{ by }}, 'low' as side, size, had as ahead, had_not + 1 as behind from pl_units
        union all
        select {{ by }}, 'high' as side, size, had_not as ahead, had + 1 as behind from pl_units
    ),

    pl_logs as (
        select
            {{ by }},
            side,
            number as seen,
            case
                when number = 0 then 0e0
                else ln(
                    cast((size - number + 1) * (number - 1 + ahead) as double)
                    / cast(number * (size - number + behind) as double)
                )
            end as log_step
        from pl_sides
        inner join ({{ counting(5) | indent(8) }}) as numbers
            on numbers.number <= pl_sides.size
        where ahead > 0
    ),

    pl_heights as (
        select
            {{ by }},
            side,
            seen,
            {{ exact_sum('log_step', ascending) }} as log_height
        from pl_logs
    ),

    pl_masses as (
        select
            {{ by }},
            side,
            seen,
            exp(log_height - max(log_height) over (partition by {{ by }}, side)) as mass
        from pl_heights
    ),

    pl_tails as (
        select
            {{ by }},
            side,
            seen,
            {{ exact_sum('mass', ascending) }}
            / {{ exact_sum('mass', 'partition by ' ~ by ~ ', side') }} as chance_up_to
        from pl_masses
    ),

    pl_counts as (
        select
            {{ by }},
            min(case when side = 'low' and chance_up_to > 0.001e0 then seen end) as responding,
            min(case when side = 'high' and chance_up_to > 0.001e0 then seen end) as not_responding
        from pl_tails
        group by {{ by }}
    )

    select
        {{ by }},
        case
            when size > 0 and had + had_not > 0
                then cast(coalesce(responding, 0) as double) / size
        end as low,
        case
            when size > 0 and had + had_not > 0
                then cast(size - coalesce(not_responding, 0) as double) / size
        end as high
    from pl_units
    left join pl_counts using ({{ by }})
{% endmacro %}
