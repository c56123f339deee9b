{#- Definitions 3 and 8: what came of a course (eye for rules of an eye) after each of its sessions.

    responses   name of a relation with course_id, rule, eye, sessions, baseline, threshold and
                improvement
    rules       name of a relation with rule, measure and better

    Columns: course_id, rule, eye, session_number, improvement, measured, responding, worsened. -#}
{% macro responses_at_sessions(responses, rules) %}
    with treated as (
        select
            course_id,
            'both' as eye,
            session_number
        from {{ ref('sessions') }}
        where course_id is not null
        union all
        select
            course_id,
            eye,
            session_number
        from {{ ref('session_eyes') }}
        where course_id is not null
    ),

    evaluated as (
        select
            responses.course_id,
            responses.rule,
            responses.eye,
            treated.session_number,
            responses.threshold,
            case
                when treated.session_number = responses.sessions then responses.improvement
                else
                    {{ improvement('responses.baseline', 'evaluations.value', 'rules.better') }}
            end as improvement
        from {{ responses }} as responses
        inner join {{ rules }} as rules on responses.rule = rules.rule
        inner join treated
            on responses.course_id = treated.course_id and responses.eye = treated.eye
        left join {{ ref('evaluations') }} as evaluations
            on
                responses.course_id = evaluations.course_id
                and responses.eye = evaluations.eye
                and rules.measure = evaluations.measure
                and evaluations.evaluation = 'session'
                and treated.session_number = evaluations.session_number
        where responses.threshold is not null
    )

    select
        course_id,
        rule,
        eye,
        session_number,
        improvement,
        improvement is not null as measured,
        coalesce({{ responds('improvement', 'threshold') }}, false) as responding,
        coalesce({{ worsens('improvement', 'threshold') }}, false) as worsened
    from evaluated
{% endmacro %}
