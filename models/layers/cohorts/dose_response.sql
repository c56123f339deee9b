with
-- A course's dose: the mean seconds in band of its session-eyes with a temperature log; of the
-- one eye for eye-level rules, of both for the others.
doses as (
    select
        responses.course_id,
        responses.rule,
        responses.eye,
        cast(avg(eyes.seconds_in_band) as decimal(18, 6)) as seconds
    from {{ ref('responses') }} as responses
    inner join {{ ref('session_eyes') }} as eyes
        on
            responses.course_id = eyes.course_id
            and responses.eye in ('both', eyes.eye)
    where
        responses.is_mature
        and responses.outcome in {{ evaluable_outcomes() }}
        and eyes.seconds_in_band is not null
    group by responses.course_id, responses.rule, responses.eye
),

-- Equal doses share a quarter; the quarters are of the whole group, so that sites compare.
ranked as (
    select
        *,
        percent_rank() over (partition by rule order by seconds nulls last) as dose_rank
    from doses
),

counted as (
    select
        responses.rule,
        responses.site,
        responses.protocol,
        responses.patient_key,
        least(1 + cast(floor(4 * ranked.dose_rank) as bigint), 4) as dose_quarter,
        ranked.seconds,
        1 as evaluable,
        case when responses.outcome = 'responder' then 1 else 0 end as responders
    from ranked
    inner join {{ ref('responses') }} as responses
        on {{ same(['course_id', 'rule', 'eye'], 'ranked', 'responses') }}
),

totals as (
    {{ clustered_totals(
        'counted',
        keys=['rule', 'dose_quarter'],
        dimensions=['protocol'],
        counts=['evaluable', 'responders'],
        events='responders',
        of='evaluable',
    ) }}
),

spans as (
    select
        rule,
        dose_quarter,
        {{ level('site') }} as site,
        {{ level('protocol') }} as protocol,
        min(seconds) as seconds_from,
        max(seconds) as seconds_to
    from counted
    group by rule, dose_quarter, cube(site, protocol)
),

shares as (
    select
        totals.*,
        cast(totals.responders as double) / totals.evaluable as response_rate,
        spans.seconds_from,
        spans.seconds_to
    from totals
    inner join spans
        on {{ same(['rule', 'site', 'protocol', 'dose_quarter'], 'totals', 'spans') }}
)

select
    rule,
    site,
    protocol,
    dose_quarter,
    {{ is_total(['site', 'protocol']) }} as is_total,
    evaluable,
    responders,
    response_rate,
    {{ share_low('response_rate') }} as rate_low,
    {{ share_high('response_rate') }} as rate_high,
    cast(seconds_from as double) as seconds_from,
    cast(seconds_to as double) as seconds_to
from shares
