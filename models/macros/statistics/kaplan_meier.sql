{#- Kaplan-Meier: the share for whom an event is still to come, with its error and 95 % limits.

    With d(s) events among n(s) at risk at time s:
        S(t) = product over s <= t of (1 - d / n)
    Error, rows independent (Greenwood):
        S sqrt(G(t)),   G(t) = sum over s <= t of d / (n (n - d))
    Error, rows of a cluster alike (infinitesimal jackknife, as R's survfit with
    `cluster =` and `robust = TRUE`):
        S sqrt(sum over clusters of (sum over its rows of w u(t))^2),
        u(t) = [event by t] / (n - d at its time) - (G(min(t, exit)) - G(min(t, entry)))
    Clusters of one row and weight 1 give Greenwood's error again.

    relation   one row per subject, eye or spell
    groups     columns, at least one, none of them ever null: one curve for each combination
    time       when the row was last seen, or had its event
    event      true or 1 where it had the event then, false or 0 where it was only last seen
    entry      optional: when it came under observation; at risk where entry < s <= time. Null is
               from the start; a row whose entry is not before its time counts nowhere
    weight     optional: how many subjects the row stands for. Greenwood's error takes them as
               counts; name a cluster where they are sampling weights
    cluster    optional: column or expression that names the subjects that belong together
    alike      optional, not with a weight: how many clusters just like the row's there are, the
               same for all its rows, which then stand for the rows of them all

    One row per group and distinct time of an event or a last sighting:
        groups, time, at_risk, events, censored, survival, survival_se, survival_low, survival_high
    Counts are bigint (double where weighted). The error is null where S is 0 and 0 where S is 1;
    the limits (log-log) are null in both. The curve says nothing beyond its last row.
    Assumes that those who are no longer seen fare as those who are.

    For a cluster, sum of w u(t) = A - B G(t): B is the weight it still has at risk, A what its
    exits and entries have settled. Both change only where one of its rows enters or leaves, so
    the sum of squares over clusters is kept as three running sums, in one pass over the rows. -#}
{% macro kaplan_meier(
    relation,
    groups,
    time='days',
    event='event',
    entry=none,
    weight=none,
    cluster=none,
    alike=none
) %}
    {%- set by = groups | join(', ') %}
    {%- set count_type = 'decimal(38, 24)' if weight else 'bigint' %}
    {%- set shown_type = 'double' if weight else 'bigint' %}
    {%- set one = 'cast(' ~ (weight or 1) ~ ' as ' ~ count_type ~ ')' %}
    {%- set of_all_alike = ' * alike' if alike else '' %}
    {%- set so_far = until_now(by) %}
    with
    km_changes as (
        select
            {{ by }},
            {{ time }} as time,
            {{ cluster or 1 }} as cluster_key,
            {%- if alike %}
            {{ alike }} as alike,
            {%- endif %}
            case when cast({{ event }} as integer) = 1 then {{ one }} else 0 end as events,
            case when cast({{ event }} as integer) = 1 then 0 else {{ one }} end as censored,
            {{ one }} as leaving
        from {{ relation }}
        where
            {{ time }} is not null
            {%- if entry %}
            and ({{ entry }} is null or {{ entry }} < {{ time }})

        union all

        select
            {{ by }},
            {{ entry }} as time,
            {{ cluster or 1 }} as cluster_key,
            {%- if alike %}
            {{ alike }} as alike,
            {%- endif %}
            0 as events,
            0 as censored,
            -{{ one }} as leaving
        from {{ relation }}
        where {{ entry }} < {{ time }}
            {%- endif %}
    ),

    km_times as (
        select
            {{ by }},
            time,
            sum(events{{ of_all_alike }}) as events,
            sum(censored{{ of_all_alike }}) as censored,
            sum(leaving{{ of_all_alike }}) as leaving
        from km_changes
        group by
            {{ by }},
            time
    ),

    km_steps as (
        select
            {{ by }},
            time,
            cast(at_risk as {{ shown_type }}) as at_risk,
            cast(events as {{ shown_type }}) as events,
            cast(censored as {{ shown_type }}) as censored,
            case when events > 0 and events = at_risk then 1 else 0 end as takes_all,
            case
                when events > 0 and events < at_risk
                    then 1e0 / (cast(at_risk as double) * cast(at_risk - events as double))
                else 0e0
            end as step
        from (
            select
                km_times.*,
                sum(leaving) over ({{ from_now(by) }}) as at_risk
            from km_times
        ) as km_risk
    ),

    km_curve as (
        select
            {{ by }},
            time,
            at_risk,
            events,
            censored,
            at_risk * step as per_event,
            {{ exact_sum('events * step', so_far) }} as greenwood,
            case
                when max(takes_all) over ({{ so_far }}) = 1 then 0e0
                else exp(-{{ exact_sum('ln(1e0 + events * at_risk * step)', so_far) }})
            end as survival
        from km_steps
    ),
    {%- if cluster %}

    km_moves as (
        select
            {{ by }},
            time,
            cluster_key,
            {{ 'alike' if alike else 1 }} as alike,
            cast(sum(leaving) as double) as leaving,
            {{ exact_sum('km_changes.events * per_event - leaving * greenwood') }} as settling
        from km_changes
        inner join km_curve using ({{ by }}, time)
        group by
            {{ by }},
            time,
            {{ 'alike,' if alike else '' }}
            cluster_key
    ),

    km_standing as (
        select
            km_moves.*,
            {{ exact_sum('leaving', from_now(by ~ ', cluster_key')) }}
                as present_before,
            {{ exact_sum('settling', until_now(by ~ ', cluster_key')) }}
                as settled_after
        from km_moves
    ),

    km_states as (
        select
            km_standing.*,
            present_before - leaving as present_after,
            settled_after - settling as settled_before
        from km_standing
    ),

    km_products as (
        select
            {{ by }},
            time,
            {{ change_of_product('settled', 'settled') }} as settled_settled,
            {{ change_of_product('settled', 'present') }} as settled_present,
            {{ change_of_product('present', 'present') }} as present_present
        from km_states
        group by
            {{ by }},
            time
    ),
    {%- endif %}

    km_errors as (
        select
            {{ by }},
            time,
            at_risk,
            events,
            censored,
            survival,
            case
                when survival > 0 then survival * sqrt(
                    {%- if cluster %}
                    greatest(
                        {{ exact_sum('settled_settled', so_far) }}
                        - 2e0 * greenwood * {{ exact_sum('settled_present', so_far) }}
                        + greenwood * greenwood * (
                            present_present
                            - {{ exact_sum('present_present', from_now(by)) }}
                        ),
                        0e0
                    )
                    {%- else %}
                    greenwood
                    {%- endif %}
                )
            end as survival_se
        from km_curve
        {%- if cluster %}
        inner join km_products using ({{ by }}, time)
        {%- endif %}
    )

    select
        km_errors.*,
        {{ log_log_low('survival', 'survival_se') }} as survival_low,
        {{ log_log_high('survival', 'survival_se') }} as survival_high
    from km_errors
    where events > 0 or censored > 0
{% endmacro %}
