{#- Thermal dose and time in band of temperature logs (definition 15).

        CEM43 = sum over samples of dt / 60 x R^(43 - T),   R = 0.5 from 43 C on, 0.25 below
    T is the sample's temperature in C and dt the time to the next sample in s, at most 5 s (left
    rule); the last sample adds nothing. CEM43 is in equivalent minutes at 43 C.
    Source: Sapareto SA, Dewey WC, Int J Radiat Oncol Biol Phys 1984;10:787-800.

    relation    one row per sample, in any order: the log's columns, t_s (s, decimal), temp_c (C,
                decimal), band_low_c and band_high_c (C, the same for all samples of a log)
    log         columns that name a log, never null; a log's times are distinct

    One row per log:
        log, samples, cem43_minutes, seconds_in_band, longest_run_s, peak_c, seconds_above_43,
        plateau_c
    samples is a bigint, cem43_minutes a double, the rest decimal(18, 6). A band holds both its
    ends. A run in band ends at the first sample outside it, and after a gap of more than 5 s, of
    which 5 s still count. plateau_c is the mean over time, weighted by dt, from two minutes after
    the log's start on, when an eyelid has long been warm; null where nothing was logged so late.
    A log of one sample gives null throughout. cem43_minutes is null where a sample lies above
    75 C: such a reading is no eyelid's, and beyond four hours of it terms no longer add exactly.

    A run's first and last sample are its edges. All other samples of a log are added up as one
    row, so that the second window runs over edges only. -#}
{% macro thermal_dose(relation, log) %}
    {%- set by = log | join(', ') %}
    {%- set longest_step_s = 5 %}
    {%- set hottest_c = 75 %}
    {%- set warm_from_s = 120 %}
    with
    td_in_band as (
        select
            {{ by }},
            t_s,
            temp_c,
            case when temp_c between band_low_c and band_high_c then t_s end as in_band_s
        from {{ relation }}
    ),

    td_neighbours as (
        select
            td_in_band.*,
            in_band_s is not null as in_band,
            lag(in_band_s) over in_time as in_band_before_s,
            lead(in_band_s) over in_time as in_band_next_s,
            least(coalesce(lead(t_s) over in_time, t_s) - t_s, {{ longest_step_s }}) as step_s
        from td_in_band
        window in_time as (partition by {{ by }} order by t_s nulls last)
    ),

    td_samples as (
        select
            td_neighbours.*,
            in_band
            and coalesce(t_s - in_band_before_s > {{ longest_step_s }}, true) as begins_run,
            in_band
            and coalesce(in_band_next_s - t_s > {{ longest_step_s }}, true) as ends_run,
            step_s * power(
                case when temp_c >= 43 then 0.5e0 else 0.25e0 end,
                43 - cast(least(temp_c, {{ hottest_c }}) as double)
            ) as seconds_at_43
        from td_neighbours
    ),

    td_edges as (
        select
            {{ by }},
            case when begins_run or ends_run then t_s end as edge_s,
            max(case when begins_run then 1 else 0 end) as begins_run,
            max(case when ends_run then t_s + step_s end) as run_until_s,
            count(*) as samples,
            sum({{ exact('seconds_at_43') }}) as seconds_at_43,
            sum(case when in_band then step_s else 0 end) as seconds_in_band,
            max(temp_c) as peak_c,
            sum(case when temp_c > 43 then step_s else 0 end) as seconds_above_43,
            sum(case when t_s >= {{ warm_from_s }} then step_s end) as warm_seconds,
            sum(case when t_s >= {{ warm_from_s }} then step_s * temp_c end) as warm_degree_seconds
        from td_samples
        group by
            {{ by }},
            case when begins_run or ends_run then t_s end
    ),

    td_runs as (
        select
            td_edges.*,
            run_until_s - case
                when begins_run = 1 then edge_s
                else lag(edge_s) over (partition by {{ by }} order by edge_s nulls last)
            end as run_s
        from td_edges
    ),

    td_logs as (
        select
            {{ by }},
            cast(sum(samples) as bigint) as samples,
            cast(sum(seconds_at_43) as double) / 60 as cem43_minutes,
            sum(seconds_in_band) as seconds_in_band,
            coalesce(max(run_s), 0) as longest_run_s,
            max(peak_c) as peak_c,
            sum(seconds_above_43) as seconds_above_43,
            cast(sum(warm_degree_seconds) as double)
            / nullif(cast(sum(warm_seconds) as double), 0) as plateau_c
        from td_runs
        group by {{ by }}
    )

    select
        {{ by }},
        samples,
        case when samples > 1 and peak_c <= {{ hottest_c }} then cem43_minutes end
            as cem43_minutes,
        {%- for figure in [
            'seconds_in_band', 'longest_run_s', 'peak_c', 'seconds_above_43', 'plateau_c'
        ] %}
        cast(case when samples > 1 then {{ figure }} end as decimal(18, 6)) as {{ figure }}
        {{- ',' if not loop.last }}
        {%- endfor %}
    from td_logs
{% endmacro %}
