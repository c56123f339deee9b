-- One row per site, batch and kind: of how many patients its accepted rows tell. Shares and volumes
-- are judged by patients, since one patient's rows of a day share their fate. Temperature logs,
-- which name no patient, are left out.
select
    kind,
    site,
    batch,
    count(distinct patient_key) as patients
from (
    from patients_of('visits')
    union all
    from patients_of('sessions')
    union all
    from patients_of('outcomes')
    union all
    from patients_of('patients')
    union all
    from patients_of('plans')
    union all
    from patients_of('treatments')
    union all
    from patients_of('adverse_events')
) as told
group by kind, site, batch
order by kind, site, batch
