with counted as (
    select
        cohort,
        count(*) as courses,
        sum(case when is_mature then 1 else 0 end) as mature_courses,
        count(distinct patient_key) as patients,
        count(distinct site) as sites
    from {{ ref('cohort_courses') }}
    group by cohort
)

select
    cohorts.cohort,
    cohorts.position,
    cohorts.title,
    cohorts.question,
    coalesce(counted.courses, 0) as courses,
    cast(coalesce(counted.mature_courses, 0) as bigint) as mature_courses,
    coalesce(counted.patients, 0) as patients,
    coalesce(counted.sites, 0) as sites
from {{ source('definitions', 'cohorts') }} as cohorts
left join counted on cohorts.cohort = counted.cohort
