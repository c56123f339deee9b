{#- One row per course (eye for eye-level rules) and grading that the tables by session follow:
    mature, with a baseline to which the rule applies (definition 8); with the course's state.

    responses   name of a relation with the columns of courses.responses -#}
{% macro begun_courses(responses) %}
    with begun as (
        select
            responses.*,
            courses.state
        from {{ responses }} as responses
        inner join {{ ref('courses') }} as courses
            on responses.course_id = courses.course_id
        where
            responses.is_mature
            and responses.baseline is not null
            and responses.outcome <> 'not_applicable'
    )

    {{ by_grading('begun') }}
{% endmacro %}
