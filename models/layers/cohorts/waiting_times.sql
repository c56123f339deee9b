with
begun as (
    select
        site,
        patient_key,
        course_id,
        first_date,
        lag(last_date) over (partition by site, patient_key order by first_date) as previous_date
    from {{ ref('courses') }}
),

steps as (
    select
        site,
        patient_key,
        visit_date as day,
        'assessed' as what
    from {{ ref('stg_visits') }}
    where visit_reason = 'assessment'
    union all
    select
        site,
        patient_key,
        decided_on as day,
        decision as what
    from {{ ref('stg_plans') }}
    where decision in ('recommended', 'accepted')
),

-- What lies before the course and after the one before it: the latest of each kind.
latest as (
    select
        begun.site,
        begun.course_id,
        begun.first_date,
        max(steps.day) filter (where steps.what = 'assessed') as assessed_on,
        max(steps.day) filter (where steps.what = 'accepted') as accepted_on
    from begun
    inner join steps
        on
            begun.site = steps.site
            and begun.patient_key = steps.patient_key
            and begun.first_date >= steps.day
            and (begun.previous_date is null or begun.previous_date < steps.day)
    group by begun.site, begun.course_id, begun.first_date
),

answered as (
    select
        begun.site,
        begun.course_id,
        latest.accepted_on,
        max(steps.day) as recommended_on
    from begun
    inner join latest on begun.course_id = latest.course_id
    inner join steps
        on
            begun.site = steps.site
            and begun.patient_key = steps.patient_key
            and latest.accepted_on >= steps.day
            and (begun.previous_date is null or begun.previous_date < steps.day)
    where steps.what = 'recommended'
    group by begun.site, begun.course_id, latest.accepted_on
),

waited as (
    select
        site,
        'recommended_to_accepted' as step,
        {{ days_between('recommended_on', 'accepted_on') }} as days
    from answered
    union all
    select
        site,
        'accepted_to_first_session' as step,
        {{ days_between('accepted_on', 'first_date') }} as days
    from latest
    where accepted_on is not null
    union all
    select
        site,
        'assessed_to_first_session' as step,
        {{ days_between('assessed_on', 'first_date') }} as days
    from latest
    where assessed_on is not null
),

everywhere as (
    {{ in_every_total('waited', columns=['step', 'days'], dimensions=['site']) }}
),

ranked as (
    select
        site,
        step,
        days,
        row_number() over (partition by site, step order by days nulls last) as place,
        count(*) over (partition by site, step) as waits
    from everywhere
)

select
    site,
    step,
    count(*) as waits,
    min(case when 4 * place >= waits then days end) as quarter_days,
    {{ median('days') }} as median_days,
    min(case when 4 * place >= 3 * waits then days end) as three_quarters_days
from ranked
group by site, step
