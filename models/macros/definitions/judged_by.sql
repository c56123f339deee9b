{#- Definitions 2 to 6: each course (eye for rules of an eye) by each rule: what was measured, the
    improvement that the rule asks for at this baseline, and what came of it.

    rules       name of a relation with rule, measure, unit and better
    threshold   what a rule asks for, null where it does not apply: an expression over
                baselines.value, courses.symptoms_band, rules and bands
    bands       optionally a relation with rule, at_least and below, of a rule's bands of baseline,
                which do not overlap -#}
{% macro judged_by(rules, threshold, bands=none) %}
    with treated as (
        select
            course_id,
            'course' as unit,
            'both' as eye,
            sessions
        from {{ ref('courses') }}
        union all
        select
            course_id,
            'eye' as unit,
            eye,
            count(*) as sessions
        from {{ ref('session_eyes') }}
        where course_id is not null
        group by course_id, eye
    ),

    glands as (
        select
            baselines.course_id,
            baselines.eye,
            bands.band as glands_stage
        from {{ ref('evaluations') }} as baselines
        inner join {{ ref('severity_bands') }} as bands
            on
                bands.grading = 'glands'
                and baselines.measure = bands.measure
                and {{ lies_in_band('baselines.value', 'bands') }}
        where baselines.evaluation = 'baseline'
    ),

    measured as (
        select
            courses.*,
            treated.unit,
            treated.eye,
            treated.sessions as sessions_of_unit,
            rules.rule,
            baselines.value as baseline,
            finals.value as final_value,
            finals.assessed_date as final_date,
            {{ improvement('baselines.value', 'finals.value', 'rules.better') }} as improvement,
            {{ threshold }} as threshold
        from treated
        inner join {{ ref('courses') }} as courses on treated.course_id = courses.course_id
        inner join {{ rules }} as rules on treated.unit = rules.unit
        left join {{ ref('evaluations') }} as baselines
            on
                treated.course_id = baselines.course_id
                and treated.eye = baselines.eye
                and rules.measure = baselines.measure
                and baselines.evaluation = 'baseline'
        {%- if bands %}
        left join {{ bands }} as bands
            on rules.rule = bands.rule and {{ lies_in_band('baselines.value', 'bands') }}
        {%- endif %}
        left join {{ ref('evaluations') }} as finals
            on
                treated.course_id = finals.course_id
                and treated.eye = finals.eye
                and rules.measure = finals.measure
                and finals.evaluation = 'final'
    )

    select
        measured.course_id,
        measured.rule,
        measured.eye,
        measured.site,
        measured.patient_key,
        measured.protocol,
        measured.course_kind,
        measured.is_mature,
        measured.in_last_12_months,
        measured.symptoms_band,
        measured.clinician_grade,
        case when measured.unit = 'eye' then coalesce(glands.glands_stage, 'unknown') end
            as glands_stage,
        measured.unit,
        measured.sessions_of_unit as sessions,
        measured.baseline,
        measured.final_value,
        measured.improvement,
        measured.threshold,
        case
            when measured.baseline is null then 'not_measured'
            when measured.threshold is null then 'not_applicable'
            when measured.final_value is null then 'not_measured'
            when {{ responds('measured.improvement', 'measured.threshold') }} then 'responder'
            when {{ worsens('measured.improvement', 'measured.threshold') }} then 'worsened'
            else 'unchanged'
        end as outcome,
        coalesce(
            others.started_on
            <= coalesce(
                measured.final_date, {{ days_after('measured.last_date', var('followup_days')) }}
            ),
            false
        ) as other_treatment,
        {{ days_between('measured.last_date', 'measured.final_date') }} as final_days
    from measured
    left join glands on measured.course_id = glands.course_id and measured.eye = glands.eye
    left join {{ ref('other_treatments') }} as others
        on measured.course_id = others.course_id and measured.eye = others.eye
{% endmacro %}
