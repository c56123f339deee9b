with
due as (
    select
        intervals.site,
        intervals.patient_key,
        intervals.started_on as last_session,
        intervals.due_from,
        intervals.due_by,
        intervals.status,
        greatest({{ dbt.datediff('intervals.due_by', 'sites.cutoff', 'day') }}, 0) as days_overdue,
        coalesce(patients.status, 'unknown') as patient_status
    from {{ ref('maintenance_intervals') }} as intervals
    inner join {{ ref('stg_sites') }} as sites
        on intervals.site = sites.site
    left join {{ ref('stg_patients') }} as patients
        on intervals.site = patients.site and intervals.patient_key = patients.patient_key
    where intervals.status in ('due', 'overdue')
)

select
    site,
    patient_key,
    last_session,
    due_from,
    due_by,
    status,
    cast(days_overdue as bigint) as days_overdue,
    patient_status,
    patient_status in ('active', 'unknown') as on_list
from due
