-- Do courses break off because they helped, or because they did not? By how they last stood.
with
last_seen as (
    select
        course_id,
        responding,
        worsened
    from {{ ref('session_responses') }}
    where rule = 'symptoms' and measured
    qualify row_number() over (partition by course_id order by session_number desc) = 1
),

ended as (
    select
        case
            when last_seen.course_id is null then 'not measured'
            when last_seen.responding then 'better'
            when last_seen.worsened then 'worse'
            else 'unchanged'
        end as last_stood,
        courses.state
    from {{ ref('courses') }} as courses
    left join last_seen on courses.course_id = last_seen.course_id
    where courses.state in ('completed', 'stopped')
),

counted as (
    select
        last_stood,
        count(*) as courses,
        count(*) filter (where state = 'stopped') as stopped
    from ended
    group by last_stood
)

select
    last_stood,
    courses,
    stopped,
    cast(stopped as double) / courses as stopped_share,
    {{ wilson_low('stopped', 'courses') }} as share_low,
    {{ wilson_high('stopped', 'courses') }} as share_high
from counted
order by last_stood
