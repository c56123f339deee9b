-- Could those who got better cut their home care, and those who did not? The share that halved it.
with
counted as (
    select
        count(*) filter (where responses.outcome = 'responder') as better,
        count(*) filter (where responses.outcome = 'responder' and home_care.halved)
            as better_halved,
        count(*) filter (where responses.outcome = 'unchanged') as unchanged,
        count(*) filter (where responses.outcome = 'unchanged' and home_care.halved)
            as unchanged_halved
    from {{ ref('course_home_care') }} as home_care
    inner join {{ ref('responses') }} as responses
        on home_care.course_id = responses.course_id and responses.rule = 'symptoms'
    where responses.is_mature and home_care.halved is not null
)

select
    better,
    better_halved,
    unchanged,
    unchanged_halved,
    cast(better_halved as double) / nullif(better, 0)
    - cast(unchanged_halved as double) / nullif(unchanged, 0) as difference,
    {{ newcombe_low('better_halved', 'better', 'unchanged_halved', 'unchanged') }}
        as difference_low,
    {{ newcombe_high('better_halved', 'better', 'unchanged_halved', 'unchanged') }}
        as difference_high
from counted
