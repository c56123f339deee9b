-- A course counts as asked where a session asked, or where a harm of it was reported unasked.
with
kinds as (
    {%- for event in harm_codes() %}
    select '{{ event }}' as event
    {%- if not loop.last %}
    union all
    {%- endif %}
    {%- endfor %}
),

asked_at_sessions as (
    select distinct course_id
    from {{ ref('sessions') }}
    where course_id is not null and asked
),

harms as (
    select distinct
        course_id,
        event
    from {{ ref('adverse_events') }}
    where course_id is not null
),

known as (
    select course_id from asked_at_sessions
    union distinct
    select course_id from harms
),

counted as (
    select
        courses.site,
        courses.patient_key,
        courses.symptoms_band as grade,
        kinds.event,
        1 as courses,
        case when known.course_id is not null then 1 else 0 end as asked,
        case when harms.course_id is not null then 1 else 0 end as felt
    from {{ ref('courses') }} as courses
    cross join kinds
    left join known on courses.course_id = known.course_id
    left join harms
        on courses.course_id = harms.course_id and kinds.event = harms.event
    where courses.is_mature
),

totals as (
    {{ clustered_totals(
        'counted',
        keys=['event'],
        dimensions=['grade'],
        counts=['courses', 'asked', 'felt'],
        events='felt',
        of='asked',
    ) }}
),

shares as (
    select
        totals.*,
        cast(totals.felt as double) / nullif(totals.asked, 0) as felt_share
    from totals
    where totals.site = 'all'
)

select
    grade,
    event,
    {{ is_total(['grade']) }} as is_total,
    courses,
    asked,
    felt,
    felt_share,
    {{ share_low('felt_share') }} as share_low,
    {{ share_high('felt_share') }} as share_high
from shares
