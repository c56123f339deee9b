{#- Fails for each combination of the grain's columns that is repeated or has an empty part. -#}
{% test one_row_per(model, columns) %}
    select {{ columns | join(', ') }}, count(*) as copies
    from {{ model }}
    group by {{ columns | join(', ') }}
    having
        count(*) > 1
        {%- for column in columns %}
            or {{ column }} is null
        {%- endfor %}
{% endtest %}
