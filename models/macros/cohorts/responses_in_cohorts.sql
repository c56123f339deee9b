{#- What the tables by definition count: each cohort's courses by all rules, and as cohort `all` every
    course by the rules that the group defined; over all courses, our own stand in `cohorts`.

    Columns: cohort, and those of courses.responses. -#}
{% macro responses_in_cohorts() %}
    select
        'all' as cohort,
        defined.*
    from {{ ref('rule_responses') }} as defined
    union all
    select
        cohort_courses.cohort,
        responses.*
    from {{ ref('cohort_courses') }} as cohort_courses
    inner join (
        select * from {{ ref('responses') }}
        union all
        select * from {{ ref('rule_responses') }}
    ) as responses on cohort_courses.course_id = responses.course_id
{% endmacro %}
