{#- Fails for each log, named by some columns, whose samples do not follow one another: each time
    once, one first sample, and all but one with the time to the next. That the next times are all
    times but the first is seen by their sums and sums of squares, in one row per log. -#}
{% test samples_follow(model, log) %}
    select {{ log | join(', ') }}, count(*) as samples
    from {{ model }}
    group by {{ log | join(', ') }}
    having
        count(*) <> count(next_after_s) + 1
        or count(*) <> count(next_temp_c) + 1
        or sum(case when begins_log then 1 else 0 end) <> 1
        or min(t_s) <> min(case when begins_log then t_s end)
        or min(next_after_s) <= 0
        or min(t_s) + coalesce(sum(next_after_s), 0) <> max(t_s)
        or min(t_s) * min(t_s) + coalesce(sum(next_after_s * (2 * t_s + next_after_s)), 0)
        <> max(t_s) * max(t_s)
        {%- for column in log %}
            or {{ column }} is null
        {%- endfor %}
{% endtest %}
