with chosen as (
    {{ courses_of_cohorts(ref('cohort_conditions')) }}
)

select
    chosen.cohort,
    chosen.course_id,
    courses.site,
    courses.patient_key,
    courses.is_mature
from chosen
inner join {{ ref('courses') }} as courses on chosen.course_id = courses.course_id
