{#- One row per cohort and course in it: a course that for each trait its cohort asks for meets one
    of the conditions.

    conditions   name of a relation with cohort, trait, and one of: code; at_least and below (left
                 out); from_day and before_day (left out). An upper end that is null is none.

    Columns: cohort, course_id. -#}
{% macro courses_of_cohorts(conditions) %}
    with
    traits as (
        {{ course_traits(conditions) | indent(4) }}
    ),

    asked as (
        select
            cohort,
            count(distinct trait) as traits
        from {{ conditions }}
        group by cohort
    ),

    met as (
        select
            conditions.cohort,
            traits.course_id,
            count(distinct traits.trait) as traits
        from {{ conditions }} as conditions
        inner join traits
            on
                conditions.trait = traits.trait
                and (
                    traits.code = conditions.code
                    or ({{ lies_in_band('traits.number', 'conditions') }})
                    or (
                        traits.day >= conditions.from_day
                        and (
                            conditions.before_day is null or traits.day < conditions.before_day
                        )
                    )
                )
        group by conditions.cohort, traits.course_id
    )

    select
        met.cohort,
        met.course_id
    from met
    inner join asked on met.cohort = asked.cohort and met.traits = asked.traits
{% endmacro %}
