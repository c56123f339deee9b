{#- Definitions 5 to 7, 11, 14 and 16: mature courses (eyes for rules of an eye) by what came of
    them, on every level of the grain, with limits.

    responses   name of a relation with the columns of courses.responses and the keys
    rules       name of a relation with rule and better
    noise       name of a relation with rule, mean, spread and reliability
    keys        further columns that split the table (may be empty) -#}
{% macro response_by_grade(responses, rules, noise, keys=[]) %}
    with
    mature as (
        select
            *,
            case when in_last_12_months then 'last_12_months' else 'earlier' end as period
        from {{ responses }}
        where is_mature
    ),

    -- All of definition 14 counts improvement as positive, whichever way the measure goes.
    with_noise as (
        select
            mature.*,
            rules.direction * mature.baseline as adverse_baseline,
            {{ chance_improvement(
                'rules.direction * mature.baseline',
                'mature.threshold',
                'rules.direction * noise.mean',
                'noise.spread',
                'noise.reliability',
            ) }} as chance
        from mature
        inner join ({{ directed_rules(rules) }}) as rules on mature.rule = rules.rule
        inner join {{ noise }} as noise on mature.rule = noise.rule
    ),

    graded as (
        {{ by_grading('with_noise') }}
    ),

    counted as (
        select
            *,
            1 as courses,
            case when outcome = 'not_applicable' then 1 else 0 end as not_applicable,
            case when outcome = 'not_measured' then 1 else 0 end as not_measured,
            case when outcome in {{ evaluable_outcomes() }} then 1 else 0 end as evaluable,
            case when outcome = 'responder' then 1 else 0 end as responders,
            case when outcome = 'unchanged' then 1 else 0 end as unchanged,
            case when outcome = 'worsened' then 1 else 0 end as worsened,
            case
                when outcome in {{ evaluable_outcomes() }} and other_treatment then 1
                else 0
            end as treated_otherwise
        from graded
    ),

    totals as (
        {{ clustered_totals(
            'counted',
            keys=keys + ['rule', 'unit', 'grading'],
            dimensions=['grade', 'protocol', 'course_kind', 'period'],
            counts=[
                'courses', 'not_applicable', 'not_measured', 'evaluable', 'responders', 'unchanged',
                'worsened', 'treated_otherwise',
            ],
            events='responders',
            of='evaluable',
        ) }}
    ),

    improvements as (
        select
            {%- for key in keys %}
            {{ key }},
            {%- endfor %}
            rule,
            grading,
            {{ level('grade') }} as grade,
            {{ level('site') }} as site,
            {{ level('protocol') }} as protocol,
            {{ level('course_kind') }} as course_kind,
            {{ level('period') }} as period,
            sum(improvement) as improvement,
            sum(adverse_baseline) as adverse_baseline,
            {{ exact_sum('chance') }} as responders_by_noise,
            {{ median('improvement') }} as median_improvement
        from counted
        where evaluable = 1
        group by
            {%- for key in keys %}
            {{ key }},
            {%- endfor %}
            rule,
            grading,
            cube(grade, site, protocol, course_kind, period)
    ),

    rates as (
        select
            totals.*,
            totals.courses - totals.not_applicable as applicable,
            cast(totals.responders as double) / nullif(totals.evaluable, 0) as response_rate,
            improvements.improvement,
            improvements.median_improvement,
            improvements.responders_by_noise / totals.evaluable as rate_by_noise,
            {{ regression_to_the_mean(
                'cast(improvements.adverse_baseline as double) / totals.evaluable',
                'rules.direction * noise.mean',
                'noise.reliability',
            ) }} as regression_alone
        from totals
        inner join ({{ directed_rules(rules) }}) as rules on totals.rule = rules.rule
        inner join {{ noise }} as noise on totals.rule = noise.rule
        left join improvements
            on {{ same(
                keys + ['rule', 'grading', 'grade', 'site', 'protocol', 'course_kind', 'period'],
                'totals',
                'improvements',
            ) }}
        where totals.course_kind in ('first', 'all') and totals.period in ('last_12_months', 'all')
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
        period,
        {{ is_total(['grade', 'site', 'protocol', 'course_kind']) }} as is_total,
        unit,
        courses,
        patients,
        not_applicable,
        not_measured,
        evaluable,
        responders,
        unchanged,
        worsened,
        response_rate,
        {{ share_low('response_rate') }} as rate_low,
        {{ share_high('response_rate') }} as rate_high,
        cast(responders as double) / nullif(applicable, 0) as rate_if_missing_failed,
        cast(responders + not_measured as double) / nullif(applicable, 0) as rate_if_missing_responded,
        rate_by_noise,
        cast(improvement as double) / nullif(evaluable, 0) as mean_improvement,
        cast(median_improvement as double) as median_improvement,
        regression_alone,
        cast(treated_otherwise as double) / nullif(evaluable, 0) as other_treatment
    from rates
{% endmacro %}
