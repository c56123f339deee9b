{#- Thermal dose and time in band of temperature logs (definition 15).

        CEM43 = sum over samples of dt / 60 x R^(43 - T),   R = 0.5 from 43 C on, 0.25 below
    T is the sample's temperature in C and dt the time to the next sample in s, at most 5 s (left
    rule); the last sample adds nothing. CEM43 is in equivalent minutes at 43 C.
    Source: Sapareto SA, Dewey WC, Int J Radiat Oncol Biol Phys 1984;10:787-800.

    samples     a table, view or select in parentheses, which is read twice; one row per sample, in
                any order: the log's columns, t_s (s, decimal), temp_c (C, decimal), begins_log
                (whether it is the first), and of the log's next sample next_after_s (s after this
                one, decimal) and next_temp_c, null at the last
    bands       one row per log: its columns, band_low_c and band_high_c (C, decimal); logs of
                which it has no row are left out
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

    Sums take one pass over the samples and runs another, which keeps only the edges: samples with
    which a run ends, or after which one begins, and a log's first sample. -#}
{% macro thermal_dose(samples, bands, log) %}
    {%- set by = log | join(', ') %}
    {%- set longest_step_s = 5 %}
    {%- set step_s = 'least(coalesce(next_after_s, 0), ' ~ longest_step_s ~ ')' %}
    {%- set hottest_c = 75 %}
    {%- set warm_from_s = 120 %}
    with
    td_sums as (
        select
            {{ by }},
            count(*) as samples,
            sum({{ exact('seconds_at_43') }}) as seconds_at_43,
            max(temp_c) as peak_c,
            sum(case when temp_c > 43 then step_s else 0 end) as seconds_above_43,
            sum(case when t_s >= {{ warm_from_s }} then step_s end) as warm_seconds,
            sum(case when t_s >= {{ warm_from_s }} then step_s * temp_c end) as warm_degree_seconds
        from (
            select
                {{ by }},
                t_s,
                temp_c,
                {{ step_s }} as step_s,
                {{ step_s }} * power(
                    case when temp_c >= 43 then 0.5e0 else 0.25e0 end,
                    43 - cast(least(temp_c, {{ hottest_c }}) as double)
                ) as seconds_at_43
            from {{ samples }}
        ) as td_samples
        group by {{ by }}
    ),

    td_in_band as (
        select
            {% for column in log %}td_samples.{{ column }}, {% endfor %}
            td_samples.t_s,
            td_samples.next_after_s,
            td_samples.begins_log,
            {{ step_s }} as step_s,
            coalesce(td_samples.next_after_s > {{ longest_step_s }}, false) as gap_follows,
            td_samples.temp_c between td_bands.band_low_c and td_bands.band_high_c as in_band,
            coalesce(
                td_samples.next_temp_c between td_bands.band_low_c and td_bands.band_high_c,
                false
            ) as next_in_band
        from {{ samples }} as td_samples
        inner join {{ bands }} as td_bands
            on
                {%- for column in log %}
                {{ 'and ' if not loop.first }}td_samples.{{ column }} = td_bands.{{ column }}
                {%- endfor %}
    ),

    td_edges as (
        select
            {{ by }},
            t_s,
            begins_log,
            case when in_band and (not next_in_band or gap_follows) then t_s + step_s end
                as run_until_s,
            case
                when next_in_band and (not in_band or gap_follows) then t_s + next_after_s
                when begins_log then t_s
            end as later_run_from_s
        from td_in_band
        where in_band <> next_in_band or gap_follows or begins_log
    ),

    td_runs as (
        select
            {{ by }},
            run_until_s - case
                when begins_log then t_s
                else lag(later_run_from_s)
                    over (partition by {{ by }} order by t_s nulls last)
            end as run_s
        from td_edges
    ),

    td_time_in_band as (
        select
            {{ by }},
            coalesce(sum(run_s), 0) as seconds_in_band,
            coalesce(max(run_s), 0) as longest_run_s
        from td_runs
        group by {{ by }}
    ),

    td_logs as (
        select
            {% for column in log %}td_sums.{{ column }}, {% endfor %}
            cast(td_sums.samples as bigint) as samples,
            cast(td_sums.seconds_at_43 as double) / 60 as cem43_minutes,
            td_time_in_band.seconds_in_band,
            td_time_in_band.longest_run_s,
            td_sums.peak_c,
            td_sums.seconds_above_43,
            cast(td_sums.warm_degree_seconds as double)
            / nullif(cast(td_sums.warm_seconds as double), 0) as plateau_c
        from td_sums
        inner join td_time_in_band
            on
                {%- for column in log %}
                {{ 'and ' if not loop.first }}td_sums.{{ column }} = td_time_in_band.{{ column }}
                {%- endfor %}
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


{#- Samples with their place in the log and the next sample, as `thermal_dose` reads them, where
    they lack it: every column, begins_log, next_after_s and next_temp_c.

    samples, log   as there -#}
{% macro with_next_samples(samples, log) -%}
    select
        td_given.*,
        lag(t_s) over in_time is null as begins_log,
        lead(t_s) over in_time - t_s as next_after_s,
        lead(temp_c) over in_time as next_temp_c
    from {{ samples }} as td_given
    window in_time as (partition by {{ log | join(', ') }} order by t_s nulls last)
{%- endmacro %}
