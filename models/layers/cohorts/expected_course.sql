-- The grades to which the symptoms rule applies; its counts are those of response_by_grade.
with
ends as (
    select
        grade,
        courses,
        not_measured,
        evaluable,
        responders,
        unchanged,
        worsened
    from {{ ref('response_by_grade') }}
    where
        rule = 'symptoms'
        and grading = 'symptoms'
        and grade in ('mild', 'moderate', 'severe')
        and site = 'all'
        and protocol = 'all'
        and course_kind = 'all'
        and period = 'all'
),

ranked as (
    select
        symptoms_band as grade,
        sessions,
        state,
        row_number() over (partition by symptoms_band order by sessions, course_id) as place,
        count(*) over (partition by symptoms_band) as courses
    from {{ ref('courses') }}
    where is_mature
),

lengths as (
    select
        grade,
        count(*) filter (where state = 'stopped') as stopped,
        min(sessions) filter (where 4 * place >= courses) as sessions_low,
        min(sessions) filter (where 2 * place >= courses) as sessions_median,
        min(sessions) filter (where 4 * place >= 3 * courses) as sessions_high
    from ranked
    group by grade
)

select
    ends.grade,
    ends.courses,
    ends.not_measured,
    ends.evaluable,
    ends.responders,
    ends.unchanged,
    ends.worsened,
    cast(ends.responders as double) / ends.courses as better_share,
    cast(ends.unchanged as double) / ends.courses as unchanged_share,
    cast(ends.worsened as double) / ends.courses as worsened_share,
    cast(ends.not_measured as double) / ends.courses as not_measured_share,
    lengths.stopped,
    cast(lengths.stopped as double) / ends.courses as stopped_share,
    lengths.sessions_low,
    lengths.sessions_median,
    lengths.sessions_high
from ends
inner join lengths on ends.grade = lengths.grade
