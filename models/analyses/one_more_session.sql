-- What did the next session change? Courses measured at a session and at the one after it.
with
steps as (
    select
        here.session_number + 1 as session_number,
        here.responding as before,
        next.responding as after
    from {{ ref('session_responses') }} as here
    inner join {{ ref('session_responses') }} as next
        on
            here.course_id = next.course_id
            and here.rule = next.rule
            and here.eye = next.eye
            and here.session_number + 1 = next.session_number
    where here.rule = 'symptoms' and here.measured and next.measured
)

select
    session_number,
    count(*) as courses,
    count(*) filter (where after and not before) as gained,
    count(*) filter (where before and not after) as lost,
    cast(count(*) filter (where before) as double) / count(*) as responding_before,
    cast(count(*) filter (where after) as double) / count(*) as responding_after
from steps
group by session_number
order by session_number
