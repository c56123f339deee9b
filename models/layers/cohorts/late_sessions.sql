with
awaited as (
    select
        courses.site,
        courses.patient_key,
        courses.protocol,
        courses.last_date as last_session,
        courses.sessions,
        courses.sessions_planned,
        {{ days_after('courses.last_date', 'protocols.spacing_high_days') }} as expected_by,
        courses.cutoff,
        courses.planned_end_reason,
        coalesce(patients.status, 'unknown') as patient_status
    from {{ ref('courses') }} as courses
    inner join {{ ref('stg_protocols') }} as protocols on courses.protocol = protocols.protocol
    left join {{ ref('stg_patients') }} as patients
        on courses.site = patients.site and courses.patient_key = patients.patient_key
    where courses.state = 'in_progress'
)

select
    site,
    patient_key,
    protocol,
    last_session,
    sessions,
    sessions_planned,
    expected_by,
    {{ days_between('expected_by', 'cutoff') }} as days_late,
    patient_status,
    planned_end_reason,
    patient_status in ('active', 'unknown') and planned_end_reason is null as on_list
from awaited
where expected_by < cutoff
