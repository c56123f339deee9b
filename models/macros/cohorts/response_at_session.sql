{#- Definitions 8 and 11: of mature courses (eyes for rules of an eye) begun, how many respond after
    each session, on every level of the grain, with limits.

    responses   name of a relation with the columns of courses.responses and the keys
    seen        name of a relation with the columns of courses.session_responses
    keys        further columns that split the table (may be empty) -#}
{% macro response_at_session(responses, seen, keys=[]) %}
    with
    begun as (
        {{ begun_courses(responses) }}
    ),

    counted as (
        select
            {%- for key in keys %}
            begun.{{ key }},
            {%- endfor %}
            begun.rule,
            begun.grading,
            begun.grade,
            begun.site,
            begun.protocol,
            begun.course_kind,
            begun.patient_key,
            numbers.number as session_number,
            1 as begun,
            case when seen.course_id is not null then 1 else 0 end as treated,
            case when seen.measured then 1 else 0 end as measured,
            case when seen.responding then 1 else 0 end as responding,
            case when seen.worsened then 1 else 0 end as worsened,
            case when seen.course_id is null and begun.state = 'stopped' then 1 else 0 end as stopped
        from begun
        inner join ({{ table_ends() }}) as table_ends
            on begun.protocol = table_ends.protocol
        inner join ({{ counting(2) }}) as numbers
            on numbers.number between 1 and table_ends.sessions_planned
        left join {{ seen }} as seen
            on
                begun.course_id = seen.course_id
                and begun.rule = seen.rule
                and begun.eye = seen.eye
                and numbers.number = seen.session_number
    ),

    totals as (
        {{ clustered_totals(
            'counted',
            keys=keys + ['rule', 'grading', 'session_number'],
            dimensions=['grade', 'protocol', 'course_kind'],
            counts=['begun', 'treated', 'measured', 'responding', 'worsened', 'stopped'],
            events='responding',
            of='begun',
        ) }}
    ),

    shares as (
        select
            totals.*,
            cast(totals.responding as double) / totals.begun as response_share
        from totals
        inner join ({{ table_ends() }}) as table_ends
            on
                totals.protocol = table_ends.protocol
                and totals.session_number <= table_ends.sessions_planned
        where totals.course_kind in ('first', 'all')
    )

    select
        {%- for key in keys %}
        {{ key }},
        {%- endfor %}
        rule,
        grading,
        grade,
        site,
        protocol,
        course_kind,
        session_number,
        {{ is_total(['grade', 'site', 'protocol', 'course_kind']) }} as is_total,
        begun,
        treated,
        measured,
        responding,
        worsened,
        stopped,
        response_share,
        {{ share_low('response_share') }} as share_low,
        {{ share_high('response_share') }} as share_high
    from shares
{% endmacro %}
