{#- One row per protocol and per `all`: the session number at which the tables by session end.
    Over `all` it is the smallest plan, since further sessions go to those who have not responded
    (definition 8). -#}
{% macro table_ends() %}
    select
        protocol,
        sessions_planned
    from {{ ref('stg_protocols') }}
    union all
    select
        'all' as protocol,
        min(sessions_planned) as sessions_planned
    from {{ ref('stg_protocols') }}
{% endmacro %}
