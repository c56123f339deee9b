with
sessions as (
    select
        site,
        {{ month_of('session_date') }} as month,
        count(*) as sessions,
        count(distinct patient_key) as treated_patients,
        sum(chair_minutes) as chair_minutes,
        count(*) filter (where asked) as sessions_asked
    from {{ ref('sessions') }}
    group by 1, 2
),

judged_courses as (
    select
        courses.*,
        {{ known_on('courses.last_date') }} as known_on,
        responses.outcome
    from {{ ref('courses') }} as courses
    left join {{ ref('responses') }} as responses
        on courses.course_id = responses.course_id and responses.rule = 'symptoms'
),

-- Whatever falls on one day, once each: site, day, what.
happened as (
    select site, first_date as day, 'new_course' as what from {{ ref('courses') }}
    union all
    select courses.site, sessions.session_date as day, 'completed' as what
    from {{ ref('courses') }} as courses
    inner join {{ ref('sessions') }} as sessions
        on
            courses.course_id = sessions.course_id
            and courses.sessions_planned = sessions.session_number
    union all
    select site, known_on as day, 'stopped' as what from judged_courses where state = 'stopped'
    union all
    select site, known_on as day, 'matured' as what from judged_courses where is_mature
    union all
    select site, known_on as day, 'evaluable' as what
    from judged_courses
    where is_mature and outcome in {{ evaluable_outcomes() }}
    union all
    select site, known_on as day, 'responder' as what
    from judged_courses
    where is_mature and outcome = 'responder'
    union all
    select site, event_date as day, 'harm' as what from {{ ref('adverse_events') }}
),

counted as (
    select
        site,
        {{ month_of('day') }} as month,
        count(*) filter (where what = 'new_course') as new_courses,
        count(*) filter (where what = 'completed') as completed,
        count(*) filter (where what = 'stopped') as stopped,
        count(*) filter (where what = 'matured') as matured,
        count(*) filter (where what = 'evaluable') as evaluable,
        count(*) filter (where what = 'responder') as responders,
        count(*) filter (where what = 'harm') as harms
    from happened
    group by 1, 2
),

recalls as (
    select
        site_months.site,
        site_months.month,
        count(*) filter (where site_months.last_day <= intervals.due_by) as due,
        count(*) filter (where site_months.last_day > intervals.due_by) as overdue
    from {{ ref('site_months') }} as site_months
    inner join {{ ref('maintenance_intervals') }} as intervals
        on
            site_months.site = intervals.site
            and site_months.last_day >= intervals.due_from
            and (intervals.ended_on is null or site_months.last_day < intervals.ended_on)
    group by 1, 2
),

refusals as (
    select
        batches.site,
        {{ month_of('batches.first_day') }} as month,
        sum(files.refused) as refused_rows
    from {{ ref('files') }} as files
    inner join {{ ref('stg_batches') }} as batches
        on files.site = batches.site and files.batch = batches.batch
    group by 1, 2
),

joined as (
    select
        site_months.site,
        site_months.month,
        coalesce(counted.new_courses, 0) as new_courses,
        coalesce(sessions.sessions, 0) as sessions,
        coalesce(sessions.treated_patients, 0) as treated_patients,
        sessions.chair_minutes,
        coalesce(counted.completed, 0) as completed,
        coalesce(counted.stopped, 0) as stopped,
        coalesce(counted.matured, 0) as matured,
        coalesce(counted.evaluable, 0) as evaluable,
        coalesce(counted.responders, 0) as responders,
        coalesce(recalls.due, 0) as due,
        coalesce(recalls.overdue, 0) as overdue,
        coalesce(counted.harms, 0) as harms,
        coalesce(sessions.sessions_asked, 0) as sessions_asked,
        coalesce(refusals.refused_rows, 0) as refused_rows
    from {{ ref('site_months') }} as site_months
    left join sessions
        on site_months.site = sessions.site and site_months.month = sessions.month
    left join counted
        on site_months.site = counted.site and site_months.month = counted.month
    left join recalls
        on site_months.site = recalls.site and site_months.month = recalls.month
    left join refusals
        on site_months.site = refusals.site and site_months.month = refusals.month
)

select
    site,
    month,
    new_courses,
    sessions,
    treated_patients,
    cast(case when sessions = 0 then 0 else chair_minutes end as double) as chair_minutes,
    completed,
    stopped,
    matured,
    evaluable,
    responders,
    due,
    overdue,
    case when harms > 0 or sessions_asked > 0 or sessions = 0 then harms end as harms,
    sessions_asked,
    cast(refused_rows as bigint) as refused_rows
from joined
