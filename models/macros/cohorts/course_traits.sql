{#- What a cohort may ask of a course, as far as `conditions` asks it: one row per course, trait and
    value. A trait of sessions or eyes has a row for each value that occurs in the course. What
    visits tell is taken from the latest one up to the first date that tells it.

    conditions   name of a relation with trait

    Columns: course_id, trait, and as the trait has it code, number or day; the others are null. -#}
{% macro course_traits(conditions) %}
    {%- set nothing = {
        'code': 'cast(null as ' ~ dbt.type_string() ~ ')',
        'number': 'cast(null as decimal(18, 6))',
        'day': 'cast(null as date)',
    } %}
    {%- for kind, traits in traits_of_courses().items() %}
    {%- for trait in traits %}
    select
        course_id,
        '{{ trait }}' as trait,
        {{ trait if kind == 'code' else nothing.code }} as code,
        {{ 'cast(' ~ trait ~ ' as decimal(18, 6))' if kind == 'number' else nothing.number }}
            as number,
        {{ trait if kind == 'day' else nothing.day }} as day
    from {{ ref('courses') }}
    where {{ is_asked(trait, conditions) }}
    union all
    {%- endfor %}
    {%- endfor %}
    {%- for trait in traits_of_sessions() %}
    select distinct
        course_id,
        '{{ trait }}' as trait,
        {{ trait }} as code,
        {{ nothing.number }} as number,
        {{ nothing.day }} as day
    from {{ ref('session_eyes') }}
    where course_id is not null and {{ is_asked(trait, conditions) }}
    union all
    {%- endfor %}
    {%- for kind, traits in traits_of_visits().items() %}
    {%- for trait in traits %}
    select
        courses.course_id,
        '{{ trait }}' as trait,
        {{ 'visits.' ~ trait if kind == 'code' else nothing.code }} as code,
        {{ 'cast(visits.' ~ trait ~ ' as decimal(18, 6))' if kind == 'number' else nothing.number }}
            as number,
        {{ nothing.day }} as day
    from {{ ref('courses') }} as courses
    inner join {{ ref('stg_visits') }} as visits
        on
            courses.site = visits.site
            and courses.patient_key = visits.patient_key
            and visits.visit_date <= courses.first_date
    where visits.{{ trait }} is not null and {{ is_asked(trait, conditions) }}
    qualify
        row_number() over (
            partition by courses.course_id
            order by visits.visit_date desc nulls last, visits.visit_key desc nulls last
        ) = 1
    union all
    {%- endfor %}
    {%- endfor %}
    select
        course_id,
        'baseline_' || measure as trait,
        {{ nothing.code }} as code,
        value as number,
        {{ nothing.day }} as day
    from {{ ref('evaluations') }}
    where evaluation = 'baseline'
{% endmacro %}


{% macro traits_of_courses() %}
    {{- return({
        'code': [
            'site', 'protocol', 'course_kind', 'state', 'end_reason', 'symptoms_band',
            'clinician_grade',
        ],
        'number': ['course_number', 'sessions', 'sessions_planned'],
        'day': ['first_date', 'last_date'],
    }) -}}
{% endmacro %}


{% macro traits_of_sessions() %}
    {{- return(['device', 'lids', 'operator']) -}}
{% endmacro %}


{% macro traits_of_visits() %}
    {{- return({'code': ['diagnosis', 'sex'], 'number': ['age_years']}) -}}
{% endmacro %}


{#- A condition asks for this trait: nothing is looked up that none does. -#}
{% macro is_asked(trait, conditions) -%}
    exists (select 1 from {{ conditions }} where trait = '{{ trait }}')
{%- endmacro %}
