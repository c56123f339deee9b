{%- set grain = ['rule', 'estimand', 'grading', 'grade', 'site', 'protocol'] -%}
with
responders as (
    select
        responses.*,
        rules.measure,
        rules.better,
        courses.last_date,
        {{ days_after('courses.last_date', 'responses.final_days') }} as final_date,
        courses.next_course_date
    from {{ ref('responses') }} as responses
    inner join {{ ref('courses') }} as courses on responses.course_id = courses.course_id
    inner join {{ ref('response_rules') }} as rules on responses.rule = rules.rule
    where responses.is_mature and responses.outcome = 'responder'
),

day_values as (
    {{ values_of_days() }}
),

-- What came after the final evaluation, up to the next course: seen again, or treated again.
happened as (
    select
        responders.course_id,
        responders.rule,
        responders.eye,
        {{ days_between('responders.last_date', 'day_values.assessed_date') }} as days,
        false as is_treatment,
        {{ responds(
            improvement('responders.baseline', 'day_values.value', 'responders.better'),
            'responders.threshold'
        ) }} as is_responding
    from responders
    inner join day_values
        on
            {{ same(['site', 'patient_key', 'measure', 'eye'], 'responders', 'day_values') }}
            and responders.final_date < day_values.assessed_date
            and (
                responders.next_course_date is null
                or day_values.assessed_date <= responders.next_course_date
            )
    union all
    select
        responders.course_id,
        responders.rule,
        responders.eye,
        {{ days_between('responders.last_date', 'sessions.session_date') }} as days,
        true as is_treatment,
        cast(null as boolean) as is_responding
    from responders
    inner join {{ ref('sessions') }} as sessions
        on
            {{ same(['site', 'patient_key'], 'responders', 'sessions') }}
            and responders.last_date < sessions.session_date
            and (
                responders.next_course_date is null
                or sessions.session_date <= responders.next_course_date
            )
),

-- A day's values come before its treatment.
read_on as (
    select
        happened.*,
        lead(is_treatment) over (
            partition by course_id, rule, eye
            order by days nulls last, is_treatment nulls last
        ) as treated_next,
        lead(is_responding) over (
            partition by course_id, rule, eye
            order by days nulls last, is_treatment nulls last
        ) as responding_next
    from happened
),

summarised as (
    select
        course_id,
        rule,
        eye,
        min(days) filter (where not is_responding and (treated_next or not responding_next))
            as lost_on,
        min(days) filter (where is_treatment) as treated_on,
        max(days) filter (where not is_treatment) as last_seen_on
    from read_on
    group by course_id, rule, eye
),

followed as (
    select
        responders.*,
        summarised.lost_on,
        summarised.treated_on,
        least(summarised.lost_on, summarised.treated_on) as lost_or_treated_on,
        coalesce(summarised.last_seen_on, responders.final_days) as last_seen_on
    from responders
    inner join summarised on {{ same(['course_id', 'rule', 'eye'], 'responders', 'summarised') }}
),

estimated as (
    select
        followed.*,
        'lost_or_retreated' as estimand,
        lost_or_treated_on is not null as is_lost,
        coalesce(lost_or_treated_on, last_seen_on) as days
    from followed
    union all
    select
        followed.*,
        'until_retreatment' as estimand,
        coalesce(lost_on = lost_or_treated_on, false) as is_lost,
        case
            when lost_on = lost_or_treated_on then lost_on
            else least(treated_on, last_seen_on)
        end as days
    from followed
    union all
    select
        followed.*,
        'whatever_followed' as estimand,
        lost_on is not null as is_lost,
        coalesce(lost_on, last_seen_on) as days
    from followed
),

graded as (
    {{ by_grading('estimated') }}
),

members as (
    {{ in_every_total(
        'graded',
        columns=[
            'rule', 'estimand', 'grading', 'patient_key', 'final_days', 'days', 'is_lost',
        ],
        dimensions=['grade', 'site', 'protocol'],
    ) }}
),

cells as (
    {{ numbered_cells('members', grain) }}
),

numbered as (
    select
        cells.cell,
        members.patient_key,
        members.final_days,
        members.days,
        members.is_lost
    from members
    inner join cells on {{ same(grain, 'members', 'cells') }}
),

curves as (
    {{ kaplan_meier(
        'numbered', ['cell'], event='is_lost', entry='final_days', cluster='patient_key'
    ) }}
),

counted as (
    select
        curves.*,
        sum(censored) over ({{ until_now('cell') }}) as censored_by_now
    from curves
),

losses as (
    select
        counted.*,
        censored_by_now
        - lag(censored_by_now, 1, 0) over (partition by cell order by time nulls last)
            as censored_since
    from counted
    where events > 0
)

select
    cells.rule,
    cells.estimand,
    cells.grading,
    cells.grade,
    cells.site,
    cells.protocol,
    losses.time as days,
    {{ is_total(['cells.grade', 'cells.site', 'cells.protocol']) }} as is_total,
    losses.at_risk,
    losses.events as lost,
    cast(losses.censored_since as bigint) as censored,
    losses.survival as holding,
    losses.survival_low as holding_low,
    losses.survival_high as holding_high
from losses
inner join cells on losses.cell = cells.cell
