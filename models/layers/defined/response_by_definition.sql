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

in_cohorts as (
    {{ responses_in_cohorts() }}
),

responded as (
    {{ response_by_grade('in_cohorts', 'all_rules', 'noise', keys=['cohort']) }}
)

select * from responded
