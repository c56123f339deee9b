-- Do symptoms and glands tell the same story? Agreement of the two rules, beyond chance (kappa).
with
glands as (
    select
        course_id,
        bool_or(outcome = 'responder') as better
    from {{ ref('responses') }}
    where rule = 'glands' and outcome in ('responder', 'unchanged', 'worsened')
    group by course_id
),

judged as (
    select
        symptoms.outcome = 'responder' as by_symptoms,
        glands.better as by_glands
    from {{ ref('responses') }} as symptoms
    inner join glands on symptoms.course_id = glands.course_id
    where
        symptoms.rule = 'symptoms'
        and symptoms.is_mature
        and symptoms.outcome in ('responder', 'unchanged', 'worsened')
),

counted as (
    select
        count(*) as courses,
        count(*) filter (where by_symptoms and by_glands) as both_rules,
        count(*) filter (where by_symptoms and not by_glands) as symptoms_alone,
        count(*) filter (where by_glands and not by_symptoms) as glands_alone,
        count(*) filter (where not by_symptoms and not by_glands) as neither
    from judged
),

shares as (
    select
        *,
        cast(both_rules + neither as double) / courses as agreed,
        (
            cast(both_rules + symptoms_alone as double) * (both_rules + glands_alone)
            + cast(neither + symptoms_alone as double) * (neither + glands_alone)
        ) / courses / courses as agreed_by_chance
    from counted
    where courses > 0
)

select
    courses,
    both_rules,
    symptoms_alone,
    glands_alone,
    neither,
    agreed,
    agreed_by_chance,
    (agreed - agreed_by_chance) / nullif(1 - agreed_by_chance, 0) as kappa
from shares
