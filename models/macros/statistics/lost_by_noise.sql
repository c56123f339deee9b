{#- The share of gains that never fade that definition 10 still reports as lost: noise alone.

    A true gain of `gain` stays. The baseline and each later value carry their own normal noise of
    deviation s = spread sqrt(1 - reliability). A value no longer responds where its noise exceeds
    that of the baseline by more than gain - amount, with the baseline's noise s x given:
        f(x) = Phi(-(x + (gain - amount) / s)),
    independently of the others. Of those that respond at the final evaluation, one is lost by the
    m-th evaluation after it if any of these fails together with the next. With c(n) the chance of
    no two failing running among n, and x averaged over the standard normal distribution,
        lost = 1 - E[(1 - f) c(m + 1)] / E[1 - f].

    relation      one row per case
    groups        columns, at least one, none of them ever null, that name the case
    amount        the rule's number; gain, the true gain; both in the measure's unit, above 0
    spread, reliability
                  as in noise.sql
    evaluations   m, a whole number >= 0: evaluations after the final one, up to the day asked for;
                  at least one more follows

    One row per case: groups, lost (a share; null where a part is unknown; without noise 0, and null
    where the gain is below the amount, since nobody responds).
    Source: the project's own working; checked by simulation through the durability model. -#}
{% macro lost_by_noise(relation, groups, amount, gain, spread, reliability, evaluations) %}
    {%- set by = groups | join(', ') %}
    with
    ln_cases as (
        select
            {{ by }},
            {{ evaluations }} as evaluations,
            cast({{ gain }} as double) - cast({{ amount }} as double) as excess,
            {{ spread }} * sqrt(1e0 - {{ reliability }}) as noise
        from {{ relation }}
    ),

    ln_chances as (
        select
            {{ by }},
            evaluations,
            weight,
            case
                when noise > 0
                    then {{ normal_below('(-deviation - excess / nullif(noise, 0e0))') }}
                when noise = 0 and excess >= 0 then 0e0
                when noise = 0 then 1e0
            end as fail
        from ln_cases
        cross join ({{ normal_points() | indent(8) }}) as points
    ),

    ln_roots as (
        select
            {{ by }},
            evaluations,
            weight * (1e0 - fail) as responding,
            {{ two_running_roots('fail') }}
        from ln_chances
    )

    select
        {{ by }},
        1e0 - {{ exact_sum('responding * ' ~ none_two_running('(evaluations + 1)')) }}
        / nullif({{ exact_sum('responding') }}, 0e0) as lost
    from ln_roots
    group by {{ by }}
{% endmacro %}
