{#- Restricted mean: the mean time without the event up to a horizon, the area under a survival
    curve, with its error.

        mean = integral of S from 0 to the horizon
        error^2 = sum over times t up to the horizon of A(t)^2 d / (n (n - d)),
        A(t) = the area from t to the horizon

    curve     relation of kaplan_meier.sql, without delayed entry, weights or clusters
    groups    its groups
    horizon   a number above 0, in the unit of the curve's time

    One row per group: groups, restricted_mean, restricted_mean_se; null where the curve ends before
    the horizon with somebody still event-free, since it is unknown from there on.
    Source: as R's print(survfit, rmean = ). -#}
{% macro restricted_mean(curve, groups, horizon) %}
    {%- set by = groups | join(', ') %}
    with
    rm_steps as (
        select
            {{ by }},
            time,
            at_risk,
            events,
            survival,
            lead(time) over (partition by {{ by }} order by time nulls last) as next_time
        from {{ curve }}
    ),

    rm_areas as (
        select
            rm_steps.*,
            survival * greatest(
                least(coalesce(next_time, {{ horizon }}), {{ horizon }}) - time, 0e0
            ) as area
        from rm_steps
    ),

    rm_remaining as (
        select
            rm_areas.*,
            {{ exact_sum('area', from_now(by)) }} as area_from_now
        from rm_areas
    ),

    rm_sums as (
        select
            {{ by }},
            max(time) >= {{ horizon }} or min(survival) = 0 as is_known,
            least(cast(min(time) as double), {{ horizon }}) + {{ exact_sum('area') }}
                as restricted_mean,
            sqrt({{ exact_sum(
                'area_from_now * area_from_now * coalesce('
                ~ 'events / (cast(at_risk as double) * nullif(at_risk - events, 0)), 0e0)'
            ) }}) as restricted_mean_se
        from rm_remaining
        group by {{ by }}
    )

    select
        {{ by }},
        case when is_known then restricted_mean end as restricted_mean,
        case when is_known then restricted_mean_se end as restricted_mean_se
    from rm_sums
{% endmacro %}
