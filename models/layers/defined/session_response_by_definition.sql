with in_cohorts as (
    {{ responses_in_cohorts() }}
),

by_defined_rules as (
    {{ responses_at_sessions(ref('rule_responses'), ref('rules')) }}
),

seen as (
    select * from {{ ref('session_responses') }}
    union all
    select * from by_defined_rules
),

responded as (
    {{ response_at_session('in_cohorts', 'seen', keys=['cohort']) }}
)

select * from responded
