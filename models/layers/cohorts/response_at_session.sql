with
begun as (
    select
        responses.*,
        courses.state
    from {{ ref('responses') }} as responses
    inner join {{ ref('courses') }} as courses
        on responses.course_id = courses.course_id
    where
        responses.is_mature
        and responses.baseline is not null
        and responses.outcome <> 'not_applicable'
),

graded as (
    {{ by_grading('begun') }}
),

counted as (
    select
        graded.rule,
        graded.grading,
        graded.grade,
        graded.site,
        graded.protocol,
        graded.course_kind,
        graded.patient_key,
        numbers.number as session_number,
        1 as begun,
        case when seen.course_id is not null then 1 else 0 end as treated,
        case when seen.measured then 1 else 0 end as measured,
        case when seen.responding then 1 else 0 end as responding,
        case when seen.worsened then 1 else 0 end as worsened,
        case when seen.course_id is null and graded.state = 'stopped' then 1 else 0 end as stopped
    from graded
    inner join ({{ table_ends() }}) as table_ends
        on graded.protocol = table_ends.protocol
    inner join ({{ whole_numbers(20) }}) as numbers
        on numbers.number <= table_ends.sessions_planned
    left join {{ ref('session_responses') }} as seen
        on
            graded.course_id = seen.course_id
            and graded.rule = seen.rule
            and graded.eye = seen.eye
            and numbers.number = seen.session_number
),

totals as (
    {{ clustered_totals(
        'counted',
        keys=['rule', 'grading', 'session_number'],
        dimensions=['grade', 'protocol', 'course_kind'],
        counts=['begun', 'treated', 'measured', 'responding', 'worsened', 'stopped'],
        events='responding',
        of='begun',
    ) }}
),

shares as (
    select
        totals.*,
        cast(totals.responding as double) / totals.begun as response_share
    from totals
    inner join ({{ table_ends() }}) as table_ends
        on
            totals.protocol = table_ends.protocol
            and totals.session_number <= table_ends.sessions_planned
    where totals.course_kind in ('first', 'all')
)

select
    rule,
    grading,
    grade,
    site,
    protocol,
    course_kind,
    session_number,
    {{ is_total(['grade', 'site', 'protocol', 'course_kind']) }} as is_total,
    begun,
    treated,
    measured,
    responding,
    worsened,
    stopped,
    response_share,
    {{ share_low('response_share') }} as share_low,
    {{ share_high('response_share') }} as share_high
from shares
