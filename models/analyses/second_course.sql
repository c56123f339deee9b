-- Does a second course do what the first one did? Patients whose both were judged by symptoms.
with
judged as (
    select
        courses.site,
        courses.patient_key,
        courses.course_number,
        responses.outcome = 'responder' as better
    from {{ ref('courses') }} as courses
    inner join {{ ref('responses') }} as responses
        on courses.course_id = responses.course_id and responses.rule = 'symptoms'
    where
        courses.course_number in (1, 2)
        and responses.is_mature
        and responses.outcome in ('responder', 'unchanged', 'worsened')
)

select
    one.better as first_better,
    count(*) as patients,
    count(*) filter (where two.better) as second_better
from judged as one
inner join judged as two
    on
        one.site = two.site
        and one.patient_key = two.patient_key
        and one.course_number = 1
        and two.course_number = 2
group by one.better
order by one.better
