{#- Between which shares a site's own lies in 95 % and in 99.8 % of samples if nothing but chance
    sets it apart from a target (definition 13): the limits of a funnel plot.

    With r(q) the least r for which P(R <= r) >= q, R binomial of n and the target rate:
        limit = (r(q) - a) / n,   a = (P(R <= r(q)) - q) / P(R = r(q)),   q = .001 .025 .975 .999
    and, where sites vary more than that, rate + sqrt(overdispersion) (limit - rate).

    relation         one row per site or other unit
    keys             columns, at least one, that tell its rows apart, none of them ever null
    n                column: the unit's number, a whole one
    rate             column: the target, 0 to 1
    overdispersion   optional: column or expression, the variance over the binomial's; null is 1

    One row per row of the relation: keys, low_95, high_95, low_998, high_998, within 0 to 1; null
    where n is 0 or either is null; the rate itself where it is 0 or 1. Divide by the rate for
    limits of observed / expected. Holds up to n of some ten millions.
    The binomial is built up from the ratios of successive terms over the mean and 12 standard
    deviations to either side, and scaled to 1.
    Source: Spiegelhalter DJ, Stat Med 2005;24:1185-1202 (formula from memory). -#}
{% macro funnel_limits(relation, keys, n='n', rate='rate', overdispersion=none) %}
    {%- set by = keys | join(', ') %}
    {%- set ascending = 'partition by ' ~ by ~ ' order by responders nulls last'
        ~ ' rows between unbounded preceding and current row' %}
    with
    fl_units as (
        select
            {{ by }},
            cast({{ n }} as bigint) as size,
            cast({{ rate }} as double) as rate,
            sqrt({{ overdispersion or '1e0' }}) as widening
        from {{ relation }}
    ),

    fl_spans as (
        select
            fl_units.*,
            greatest(cast(floor(size * rate - reach) as bigint), 0) as first_count,
            least(cast(ceil(size * rate + reach) as bigint), size) as last_count
        from (
            select
                fl_units.*,
                12e0 * sqrt(size * rate * (1e0 - rate)) + 20e0 as reach
            from fl_units
            where size > 0 and rate > 0 and rate < 1
        ) as fl_units
    ),

    fl_logs as (
        select
            {{ by }},
            first_count + number as responders,
            case
                when number = 0 then 0e0
                else ln(
                    (size - first_count - number + 1) * rate
                    / ((first_count + number) * (1e0 - rate))
                )
            end as log_step
        from fl_spans
        inner join ({{ counting(5) | indent(8) }}) as numbers
            on numbers.number <= fl_spans.last_count - fl_spans.first_count
    ),

    fl_heights as (
        select
            {{ by }},
            responders,
            {{ exact_sum('log_step', ascending) }} as log_height
        from fl_logs
    ),

    fl_masses as (
        select
            {{ by }},
            responders,
            exp(log_height - max(log_height) over (partition by {{ by }})) as mass
        from fl_heights
    ),

    fl_chances as (
        select
            {{ by }},
            responders,
            mass / {{ exact_sum('mass', 'partition by ' ~ by) }} as chance,
            {{ exact_sum('mass', ascending) }} / {{ exact_sum('mass', 'partition by ' ~ by) }}
                as chance_up_to
        from fl_masses
    ),

    fl_counts as (
        select
            {{ by }}
            {%- for quantile in ('001', '025', '975', '999') %},
            greatest(
                min(
                    case
                        when
                            chance_up_to >= 0.{{ quantile }}e0
                            and chance_up_to - chance < 0.{{ quantile }}e0
                            then responders - (chance_up_to - 0.{{ quantile }}e0) / chance
                    end
                ),
                0e0
            ) as count_{{ quantile }}
            {%- endfor %}
        from fl_chances
        group by {{ by }}
    )

    select
        {{ by }}
        {%- for name, quantile in (
            ('low_95', '025'), ('high_95', '975'), ('low_998', '001'), ('high_998', '999')
        ) %},
        case
            when size > 0 and rate is not null
                then greatest(
                    least(
                        rate
                        + coalesce(widening, 1e0)
                        * (coalesce(count_{{ quantile }} / size, rate) - rate),
                        1e0
                    ),
                    0e0
                )
        end as {{ name }}
        {%- endfor %}
    from fl_units
    left join fl_counts using ({{ by }})
{% endmacro %}
