{#- Aalen-Johansen: the share who have had an event of one cause by a time, where events of other
    causes may come first, with its error and 95 % limits.

    With d_k(s) events of cause k among n(s) at risk and S the Kaplan-Meier curve of all causes:
        I_k(t) = sum over s <= t of S(s-) d_k / n
    Error (infinitesimal jackknife): sqrt(sum over clusters of (sum over its rows of f(t))^2), f the
    derivative of I_k(t) by the row's weight; each row is its own cluster where none is named.

    relation   one row per subject, eye or spell
    groups     columns, at least one, none of them ever null: one set of curves for each combination
    time       when the row was last seen, or had its event
    cause      whole number: 0 where it was only last seen; 1, 2, ... the cause of its event
    cluster    optional: column or expression that names the subjects that belong together
    alike      optional: how many clusters just like the row's there are, the same for all its
               rows, which then stand for the rows of them all
    causes     optional: list of the causes whose curves are wanted; all that the relation has

    One row per group, distinct time of an event or a last sighting, and cause
    wanted: groups, time, cause, at_risk, events (of the cause), incidence, incidence_se,
    incidence_low, incidence_high. The error is 0 where incidence is 0 and null where it is 1; the
    limits (log-log of 1 - incidence) are null in both.
    Assumes that those who are no longer seen fare as those who are.
    Source: Aalen OO, Johansen S, Scand J Stat 1978;5:141-150 (from memory); errors as R's survfit
    of several states gives them.

    As in kaplan_meier.sql, a cluster's sum of f(t) changes its form only where one of its rows
    leaves: f(t) = P Q_k(t) + A - U I_k(t), with P its rows at risk, G Greenwood's sum,
        Q_k(t) = sum over s <= t of (G(s-) - 1 / n) S(s-) d_k / n,
    and, of a row that leaves at b, u = [event] / (n - d) - G(b) added to U and
    [event of cause k] S(b-) / n + Q_k(b) + u I_k(b) added to A. -#}
{% macro aalen_johansen(
    relation, groups, time='days', cause='cause', cluster=none, alike=none, causes=none
) %}
    {%- set by = groups | join(', ') %}
    {%- set by_cause = by ~ ', cause' %}
    {%- set so_far = until_now(by_cause) %}
    with
    aj_rows as (
        select
            {{ by }},
            {{ time }} as time,
            {{ cause }} as had,
            {%- if cluster %}
            {{ cluster }} as cluster_key,
            cast({{ alike or 1 }} as bigint) as alike
            {%- else %}
            row_number() over (
                partition by {{ by }}
                order by {{ time }} nulls last, {{ cause }} nulls last
            ) as cluster_key,
            cast(sum({{ alike or 1 }}) as bigint) as alike
            {%- endif %}
        from {{ relation }}
        where {{ time }} is not null
        {%- if not cluster %}
        group by
            {{ by }},
            {{ time }},
            {{ cause }}
        {%- endif %}
    ),

    aj_any_cause as (
        {{ kaplan_meier('aj_rows', groups, time='time', event='had > 0', alike='alike')
            | indent(4) }}
    ),

    aj_curve as (
        select
            {{ by }},
            time,
            at_risk,
            events,
            survival,
            coalesce(1e0 / nullif(at_risk - events, 0), 0e0) as per_event,
            coalesce(power(survival_se / nullif(survival, 0), 2), 0e0) as greenwood
        from aj_any_cause
    ),

    aj_before as (
        select
            aj_curve.*,
            lag(survival, 1, 1e0) over (partition by {{ by }} order by time nulls last)
                as survival_before,
            lag(greenwood, 1, 0e0) over (partition by {{ by }} order by time nulls last)
                as greenwood_before
        from aj_curve
    ),

    aj_causes as (
        select distinct had as cause
        from aj_rows
        where {% if causes %}had in ({{ causes | join(', ') }}){% else %}had > 0{% endif %}
    ),

    aj_counts as (
        select
            {{ by }},
            time,
            had as cause,
            cast(sum(alike) as bigint) as events
        from aj_rows
        group by
            {{ by }},
            time,
            had
    ),

    aj_jumps as (
        select
            aj_before.*,
            cause,
            coalesce(aj_counts.events, 0) as cause_events,
            survival_before / at_risk as per_cause_event
        from aj_before
        cross join aj_causes
        left join aj_counts using ({{ by_cause }}, time)
    ),

    aj_incidence as (
        select
            aj_jumps.*,
            case
                when survival = 0 and sum(events - cause_events) over ({{ so_far }}) = 0 then 1e0
                else {{ exact_sum('per_cause_event * cause_events', so_far) }}
            end as incidence,
            {{ exact_sum(
                '(greenwood_before - 1e0 / at_risk) * per_cause_event * cause_events', so_far
            ) }} as drift
        from aj_jumps
    ),

    aj_exits as (
        select
            {{ by_cause }},
            time,
            cluster_key,
            alike,
            incidence,
            drift + case when had = cause then per_cause_event else 0e0 end as gained,
            case when had > 0 then per_event else 0e0 end - greenwood as turning
        from aj_rows
        inner join aj_incidence using ({{ by }}, time)
    ),

    aj_moves as (
        select
            {{ by_cause }},
            time,
            cluster_key,
            alike,
            cast(count(*) as double) as leaving,
            {{ exact_sum('turning') }} as turning,
            {{ exact_sum('gained + turning * incidence') }} as settling
        from aj_exits
        group by
            {{ by_cause }},
            time,
            cluster_key,
            alike
    ),

    aj_standing as (
        select
            aj_moves.*,
            {{ exact_sum('leaving', from_now(by_cause ~ ', cluster_key')) }}
                as present_before,
            {{ exact_sum('turning', until_now(by_cause ~ ', cluster_key')) }}
                as turned_after,
            {{ exact_sum('settling', until_now(by_cause ~ ', cluster_key')) }}
                as settled_after
        from aj_moves
    ),

    aj_states as (
        select
            aj_standing.*,
            present_before - leaving as present_after,
            turned_after - turning as turned_before,
            settled_after - settling as settled_before
        from aj_standing
    ),

    aj_products as (
        select
            {{ by_cause }},
            time,
            {{ change_of_product('present', 'present') }} as present_present,
            {{ change_of_product('settled', 'settled') }} as settled_settled,
            {{ change_of_product('turned', 'turned') }} as turned_turned,
            {{ change_of_product('settled', 'present') }} as settled_present,
            {{ change_of_product('turned', 'present') }} as turned_present,
            {{ change_of_product('settled', 'turned') }} as settled_turned
        from aj_states
        group by
            {{ by_cause }},
            time
    ),

    aj_errors as (
        select
            {{ by }},
            time,
            cause,
            at_risk,
            cause_events as events,
            incidence,
            case
                when incidence < 1 then sqrt(greatest(
                    {{ exact_sum('settled_settled', so_far) }}
                    + drift * drift * (
                        present_present
                        - {{ exact_sum('present_present', from_now(by_cause)) }}
                    )
                    + incidence * incidence * {{ exact_sum('turned_turned', so_far) }}
                    + 2e0 * drift * {{ exact_sum('settled_present', so_far) }}
                    - 2e0 * drift * incidence * {{ exact_sum('turned_present', so_far) }}
                    - 2e0 * incidence * {{ exact_sum('settled_turned', so_far) }},
                    0e0
                ))
            end as incidence_se
        from aj_incidence
        inner join aj_products using ({{ by_cause }}, time)
    )

    select
        aj_errors.*,
        1e0 - {{ log_log_high('(1e0 - incidence)', 'incidence_se') }} as incidence_low,
        1e0 - {{ log_log_low('(1e0 - incidence)', 'incidence_se') }} as incidence_high
    from aj_errors
{% endmacro %}
