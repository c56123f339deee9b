{%- set reasons = end_reasons() -%}
{%- set decisions = plan_decisions() -%}
with
first_assessed as (
    select
        visits.site,
        visits.patient_key,
        min(visits.visit_date) as assessed_on
    from {{ ref('stg_visits') }} as visits
    where
        visits.visit_reason = 'assessment'
        and visits.site in (select plans.site from {{ ref('stg_plans') }} as plans)
    group by visits.site, visits.patient_key
),

-- Whoever was assessed lately has had no time to begin.
assessed as (
    select first_assessed.*
    from first_assessed
    inner join {{ ref('stg_sites') }} as sites on first_assessed.site = sites.site
    where
        {{ days_between('first_assessed.assessed_on', 'sites.cutoff') }}
        > {{ var('course_gap_days') }}
),

decided as (
    select
        assessed.site,
        assessed.patient_key,
        plans.decided_on,
        plans.decision,
        plans.plan_key
    from assessed
    inner join {{ ref('stg_plans') }} as plans
        on
            assessed.site = plans.site
            and assessed.patient_key = plans.patient_key
            and assessed.assessed_on <= plans.decided_on
),

advised as (
    select
        site,
        patient_key,
        bool_or(decision in ('recommended', 'accepted', 'declined', 'deferred')) as is_recommended,
        bool_or(decision = 'accepted') as is_accepted
    from decided
    group by site, patient_key
),

-- On one day an answer comes after the recommendation it answers.
latest_decisions as (
    select
        site,
        patient_key,
        decision
    from decided
    qualify
        row_number() over (
            partition by site, patient_key
            order by
                decided_on desc,
                case decision when 'recommended' then 2 else 1 end asc,
                plan_key asc
        ) = 1
),

first_courses as (
    select
        assessed.site,
        assessed.patient_key,
        courses.state,
        courses.end_reason
    from assessed
    inner join {{ ref('courses') }} as courses
        on
            assessed.site = courses.site
            and assessed.patient_key = courses.patient_key
            and assessed.assessed_on <= courses.first_date
    qualify
        row_number() over (
            partition by assessed.site, assessed.patient_key order by courses.first_date
        ) = 1
),

paths as (
    select
        assessed.site,
        coalesce(advised.is_recommended, false) as is_recommended,
        coalesce(advised.is_accepted, false) as is_accepted,
        courses.state,
        courses.end_reason,
        case when courses.state is null then coalesce(latest.decision, 'undecided') end
            as not_started
    from assessed
    left join advised
        on assessed.site = advised.site and assessed.patient_key = advised.patient_key
    left join latest_decisions as latest
        on assessed.site = latest.site and assessed.patient_key = latest.patient_key
    left join first_courses as courses
        on assessed.site = courses.site and assessed.patient_key = courses.patient_key
)

select
    {{ level('site') }} as site,
    count(*) as assessed,
    count(*) filter (where is_recommended) as recommended,
    count(*) filter (where is_accepted) as accepted,
    count(state) as started,
    count(*) filter (where state = 'completed') as completed,
    count(*) filter (where state = 'in_progress') as in_progress,
    count(*) filter (where state = 'stopped') as stopped,
    {%- for decision in decisions + ['undecided'] %}
    count(*) filter (where not_started = '{{ decision }}') as not_started_{{ decision }},
    {%- endfor %}
    {%- for reason in reasons %}
    count(*) filter (where state = 'stopped' and end_reason = '{{ reason }}')
        as end_{{ reason }}{{ ',' if not loop.last }}
    {%- endfor %}
from paths
group by cube(site)
having count(*) > 0
