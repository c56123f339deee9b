{#- Fails for each log, named by some columns, whose samples do not follow one another: each time
    once, all but one sample with the next one's time, which is later. That the next times are all
    times but the first is seen by their sums and sums of squares, in one row per log. -#}
{% test samples_follow(model, log) %}
    select {{ log | join(', ') }}, count(*) as samples
    from {{ model }}
    group by {{ log | join(', ') }}
    having
        count(*) <> count(next_t_s) + 1
        or count(next_t_s) <> count(next_temp_c)
        or min(next_t_s - t_s) <= 0
        or coalesce(sum(next_t_s), 0) + min(t_s) <> sum(t_s)
        or coalesce(sum(next_t_s * next_t_s), 0) + min(t_s) * min(t_s) <> sum(t_s * t_s)
        {%- for column in log %}
            or {{ column }} is null
        {%- endfor %}
{% endtest %}
