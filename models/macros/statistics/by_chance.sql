{#- The share that a response rule would call responders by session k though nothing changes in
    anybody (definition 8): the first passage of noise alone.

    A course is evaluated after each of its sessions 1..K. An evaluation passes where its value
    lies at least `amount` below the baseline. The course responds at the first k that passes and
    is confirmed by k + 1 passing too; the last, K, needs no confirmation. The true value T stays;
    given the baseline b it is normal,
        mean + r (b - mean) with variance spread^2 r (1 - r),   r = reliability,
    and an evaluation passes with chance q(T) = Phi((b - amount - T) / (spread sqrt(1 - r))),
    independently of the others. With c(j) the chance of no two passes running among j
    (two_running.sql),
        not yet by k < K: c(k + 1);   not yet by K: (1 - q) c(K - 1)
    averaged over T (normal_points.sql) and over the courses.

    relation   one row per course, or eye
    groups     columns, at least one, none of them ever null: one curve for each combination
    baseline, amount, mean, spread, reliability
               columns or numbers as in noise.sql: lower is better, the negative of baseline and
               mean where higher is better
    sessions   K, a whole number from 1 to 99

    One row per group and session_number up to the group's largest K: groups, session_number,
    by_chance (over the courses with K >= session_number; those with an unknown part do not count).
    Source: the project's own working; checked by simulation. -#}
{% macro by_chance(relation, groups, baseline, amount, mean, spread, reliability, sessions) %}
    {%- set by = groups | join(', ') %}
    {%- set setting = 'baseline, amount, mean, spread, reliability, sessions' %}
    with
    ch_rows as (
        select
            {{ by }},
            cast({{ baseline }} as double) as baseline,
            cast({{ amount }} as double) as amount,
            cast({{ mean }} as double) as mean,
            cast({{ spread }} as double) as spread,
            cast({{ reliability }} as double) as reliability,
            cast({{ sessions }} as bigint) as sessions
        from {{ relation }}
    ),

    ch_counts as (
        select
            {{ by }},
            {{ setting }},
            count(*) as courses
        from ch_rows
        where baseline + amount + mean + spread + reliability + sessions is not null
        group by
            {{ by }},
            {{ setting }}
    ),

    ch_settings as (
        select distinct {{ setting }}
        from ch_counts
    ),

    ch_margins as (
        select
            {{ setting }},
            weight,
            (
                (1e0 - reliability) * (baseline - mean) - amount
                - spread * sqrt(reliability * (1e0 - reliability)) * deviation
            ) / nullif(spread * sqrt(1e0 - reliability), 0e0) as margin
        from ch_settings
        cross join ({{ normal_points() | indent(8) }}) as points
    ),

    ch_passes as (
        select
            {{ setting }},
            weight,
            coalesce({{ normal_below('margin') }}, 0e0) as pass
        from ch_margins
    ),

    ch_roots as (
        select
            {{ setting }},
            weight,
            pass,
            {{ two_running_roots('pass') }}
        from ch_passes
    ),

    ch_curves as (
        select
            {{ setting }},
            number as session_number,
            {{ exact_sum(
                'weight * case when number < sessions then ' ~ none_two_running('number + 1')
                ~ ' else (1e0 - pass) * ' ~ none_two_running('number - 1') ~ ' end'
            ) }} as not_yet
        from ch_roots
        inner join ({{ counting(2) | indent(8) }}) as numbers
            on numbers.number between 1 and ch_roots.sessions
        group by
            {{ setting }},
            number
    )

    select
        {{ by }},
        session_number,
        1e0 - {{ exact_sum('courses * not_yet') }} / cast(sum(courses) as double) as by_chance
    from ch_counts
    inner join ch_curves using ({{ setting }})
    group by
        {{ by }},
        session_number
{% endmacro %}
