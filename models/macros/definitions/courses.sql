{#- Definition 1: a course's name, from its patient and first date. -#}
{% macro course_id(site, patient_key, first_date) -%}
    {{ site }} || '/' || {{ patient_key }} || '/'
    || cast({{ first_date }} as {{ dbt.type_string() }})
{%- endmacro %}


{#- Definition 1: a course goes on from one date to the next: both have the purpose `course`, and
    at most `course_gap_days` lie between. False where there is no such date. -#}
{% macro course_goes_on(purpose, session_date, next_purpose, next_date) -%}
    coalesce(
        {{ purpose }} = 'course'
        and {{ next_purpose }} = 'course'
        and {{ days_between(session_date, next_date) }} <= {{ var('course_gap_days') }},
        false
    )
{%- endmacro %}
