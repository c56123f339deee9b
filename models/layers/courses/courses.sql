with dated as (
    select
        course_id,
        site,
        patient_key,
        min(session_date) as first_date,
        max(session_date) as last_date,
        count(*) as sessions,
        max(protocol) filter (where session_number = 1) as protocol,
        max(next_date) filter (where next_purpose = 'maintenance') as next_maintenance_date,
        max(eyes_treated) as most_eyes_a_day
    from {{ ref('sessions') }}
    where course_id is not null
    group by course_id, site, patient_key
),

numbered as (
    select
        dated.*,
        cast(row_number() over (partition by site, patient_key order by first_date) as bigint)
            as course_number,
        lead(first_date) over (partition by site, patient_key order by first_date)
            as next_course_date
    from dated
),

eyes as (
    select
        course_id,
        count(distinct eye) as eyes
    from {{ ref('session_eyes') }}
    where course_id is not null
    group by course_id
),

accepted_plans as (
    select
        numbered.course_id,
        plans.sessions_planned,
        plans.end_reason
    from numbered
    inner join {{ ref('stg_plans') }} as plans
        on
            numbered.site = plans.site
            and numbered.patient_key = plans.patient_key
            and plans.decided_on
            between {{ days_after('numbered.first_date', -var('course_gap_days')) }}
            and numbered.last_date
    where plans.decision = 'accepted'
    qualify
        row_number() over (
            partition by numbered.course_id
            order by
                plans.decided_on desc, plans.sessions_planned desc nulls last, plans.plan_key asc
        ) = 1
),

graded_visits as (
    select
        numbered.course_id,
        visits.severity_grade as clinician_grade
    from numbered
    inner join {{ ref('stg_visits') }} as visits
        on
            numbered.site = visits.site
            and numbered.patient_key = visits.patient_key
            and visits.visit_date
            between {{ baseline_from('numbered.first_date') }} and numbered.first_date
    inner join {{ ref('severity_bands') }} as bands
        on bands.grading = 'clinician' and visits.severity_grade = bands.band
    qualify
        row_number() over (
            partition by numbered.course_id
            order by visits.visit_date desc, bands.position desc
        ) = 1
),

symptoms as (
    select
        baselines.course_id,
        bands.band as symptoms_band
    from {{ ref('evaluations') }} as baselines
    inner join {{ ref('severity_bands') }} as bands
        on
            bands.grading = 'symptoms'
            and baselines.measure = bands.measure
            and {{ lies_in_band('baselines.value', 'bands') }}
    where baselines.evaluation = 'baseline'
),

final_dates as (
    select
        course_id,
        max(assessed_date) as final_date
    from {{ ref('evaluations') }}
    where evaluation = 'final'
    group by course_id
),

judged as (
    select
        numbered.*,
        sites.cutoff,
        coalesce(plans.sessions_planned, protocols.sessions_planned) as sessions_planned,
        plans.end_reason as planned_end_reason,
        -- Definition 7: whatever is this old is not in progress either.
        {{ days_between('numbered.last_date', 'sites.cutoff') }} > {{ var('course_gap_days') }}
            as is_mature,
        numbered.next_maintenance_date is not null or numbered.next_course_date is not null
            as is_closed
    from numbered
    inner join {{ ref('stg_sites') }} as sites on numbered.site = sites.site
    left join {{ ref('stg_protocols') }} as protocols on numbered.protocol = protocols.protocol
    left join accepted_plans as plans on numbered.course_id = plans.course_id
),

stated as (
    select
        judged.*,
        case
            when sessions >= sessions_planned then 'completed'
            when not is_closed and not is_mature then 'in_progress'
            else 'stopped'
        end as state,
        {{ days_after('cutoff', -var('course_gap_days')) }} as matured_until
    from judged
)

select
    stated.course_id,
    stated.site,
    stated.patient_key,
    stated.course_number,
    case
        when stated.course_number = 1 and not coalesce(patients.treated_before, false) then 'first'
        else 'repeat'
    end as course_kind,
    stated.protocol,
    stated.first_date,
    stated.last_date,
    stated.sessions,
    stated.sessions_planned,
    stated.state,
    case when stated.state = 'stopped' then coalesce(stated.planned_end_reason, 'unknown') end
        as end_reason,
    stated.planned_end_reason,
    stated.is_mature,
    coalesce(symptoms.symptoms_band, 'unknown') as symptoms_band,
    coalesce(grades.clinician_grade, 'unknown') as clinician_grade,
    stated.next_maintenance_date,
    stated.next_course_date,
    stated.cutoff,
    stated.last_date > cast({{ dbt.dateadd('month', -12, 'stated.matured_until') }} as date)
    and stated.last_date <= stated.matured_until as in_last_12_months,
    coalesce(
        others.started_on
        <= coalesce(
            final_dates.final_date, {{ days_after('stated.last_date', var('followup_days')) }}
        ),
        false
    ) as other_treatment,
    coalesce(eyes.eyes = 2 and stated.most_eyes_a_day = 1, false) as eyes_treated_one_at_a_time
from stated
left join eyes on stated.course_id = eyes.course_id
left join {{ ref('stg_patients') }} as patients
    on stated.site = patients.site and stated.patient_key = patients.patient_key
left join symptoms on stated.course_id = symptoms.course_id
left join graded_visits as grades on stated.course_id = grades.course_id
left join final_dates on stated.course_id = final_dates.course_id
left join {{ ref('other_treatments') }} as others
    on stated.course_id = others.course_id and others.eye = 'both'
