with
all_rules as (
    select
        rule,
        better
    from {{ ref('response_rules') }}
    union all
    select
        rule,
        better
    from {{ ref('rules') }}
),

noise_of_defined as (
    {{ noise_of_rules(ref('rules')) }}
),

noise as (
    select
        rule,
        mean,
        spread,
        reliability
    from {{ ref('measurement_noise') }}
    union all
    select
        rule,
        mean,
        spread,
        reliability
    from noise_of_defined
),

by_all_rules as (
    select * from {{ ref('responses') }}
    union all
    select * from {{ ref('rule_responses') }}
),

-- Over all courses, our own rules stand in cohorts.response_by_grade.
in_cohorts as (
    select
        'all' as cohort,
        defined.*
    from {{ ref('rule_responses') }} as defined
    union all
    select
        cohort_courses.cohort,
        by_all_rules.*
    from {{ ref('cohort_courses') }} as cohort_courses
    inner join by_all_rules on cohort_courses.course_id = by_all_rules.course_id
),

responded as (
    {{ response_by_grade('in_cohorts', 'all_rules', 'noise', keys=['cohort']) }}
)

select * from responded
