with
places as (
    select
        site_months.site,
        site_months.month,
        rules.rule,
        rules.unit,
        row_number() over (
            partition by site_months.site, rules.rule order by site_months.month nulls last
        ) as place
    from {{ ref('site_months') }} as site_months
    cross join {{ ref('response_rules') }} as rules
),

matured as (
    select
        places.site,
        places.rule,
        places.place,
        responses.patient_key,
        responses.outcome,
        case when responses.outcome <> 'not_applicable' then 1 else 0 end as applicable,
        case when responses.outcome in {{ evaluable_outcomes() }} then 1 else 0 end as evaluable,
        case when responses.outcome = 'responder' then 1 else 0 end as responders
    from {{ ref('responses') }} as responses
    inner join {{ ref('courses') }} as courses on responses.course_id = courses.course_id
    inner join places
        on
            responses.site = places.site
            and responses.rule = places.rule
            and {{ month_of(known_on('courses.last_date')) }} = places.month
    where responses.is_mature
),

counted as (
    select
        places.site,
        places.month,
        places.rule,
        places.unit,
        places.place,
        count(matured.outcome) as courses,
        count(*) filter (where matured.outcome = 'not_applicable') as not_applicable,
        count(*) filter (where matured.outcome = 'not_measured') as not_measured,
        count(*) filter (where matured.outcome in {{ evaluable_outcomes() }}) as evaluable,
        count(*) filter (where matured.outcome = 'responder') as responders,
        count(*) filter (where matured.outcome = 'unchanged') as unchanged,
        count(*) filter (where matured.outcome = 'worsened') as worsened
    from places
    left join matured on {{ same(['site', 'rule', 'place'], 'places', 'matured') }}
    group by places.site, places.month, places.rule, places.unit, places.place
),

-- The clinic's own twelve months before each, a row a patient.
patients_before as (
    select
        places.site,
        places.rule,
        places.place,
        matured.patient_key,
        sum(matured.applicable) as applicable,
        sum(matured.evaluable) as evaluable,
        sum(matured.responders) as responders
    from places
    inner join matured
        on
            places.site = matured.site
            and places.rule = matured.rule
            and matured.place between places.place - 12 and places.place - 1
    group by places.site, places.rule, places.place, matured.patient_key
),

before as (
    select
        site,
        rule,
        place,
        cast(sum(applicable) as bigint) as applicable,
        cast(sum(evaluable) as bigint) as evaluable,
        cast(sum(responders) as bigint) as responders,
        {{ effective_sample_size(
            'sum(responders)',
            'sum(evaluable)',
            'count(*) filter (where evaluable > 0)',
            'sum(responders * responders)',
            'sum(responders * evaluable)',
            'sum(evaluable * evaluable)',
        ) }} as effective_size
    from patients_before
    group by site, rule, place
),

beside as (
    select
        counted.*,
        coalesce(before.applicable, 0) as before_applicable,
        coalesce(before.evaluable, 0) as before_evaluable,
        coalesce(before.responders, 0) as before_responders,
        cast(before.responders as double) / nullif(before.evaluable, 0) as before_rate,
        cast(before.evaluable as double) / nullif(before.applicable, 0) as before_capture_rate,
        -- Two eyes of a patient vary together: how much wider that makes the limits.
        sqrt(before.evaluable / before.effective_size) as widening
    from counted
    left join before on {{ same(['site', 'rule', 'place'], 'counted', 'before') }}
),

chances as (
    {{ prediction_limits(
        'beside', ['site', 'rule', 'place'], 'evaluable', 'before_responders', 'before_evaluable'
    ) }}
),

judged as (
    select
        beside.*,
        cast(beside.responders as double) / nullif(beside.evaluable, 0) as response_rate,
        cast(beside.evaluable as double) / nullif(beside.courses - beside.not_applicable, 0)
            as capture_rate,
        case
            when chances.low is not null
                then greatest(round(
                    beside.before_rate + beside.widening * (chances.low - beside.before_rate), 12
                ), 0e0)
        end as limit_low,
        case
            when chances.high is not null
                then least(round(
                    beside.before_rate + beside.widening * (chances.high - beside.before_rate), 12
                ), 1e0)
        end as limit_high,
        nullif(
            concat_ws(
                '; ',
                case
                    when beside.evaluable < {{ fewest_compared() }}
                        then 'fewer than {{ fewest_compared() }} evaluable in the month'
                end,
                case
                    when beside.before_evaluable < {{ fewest_compared() }}
                        then 'fewer than {{ fewest_compared() }} evaluable in the twelve months '
                            || 'before'
                end,
                case
                    when
                        beside.evaluable < 0.6e0 * (beside.courses - beside.not_applicable)
                        or beside.before_evaluable < 0.6e0 * beside.before_applicable
                        then 'fewer than 60 % measured'
                end
            ),
            ''
        ) as reason
    from beside
    inner join chances on {{ same(['site', 'rule', 'place'], 'beside', 'chances') }}
)

select
    site,
    month,
    rule,
    unit,
    courses,
    not_applicable,
    courses - not_applicable as applicable,
    not_measured,
    evaluable,
    responders,
    unchanged,
    worsened,
    response_rate,
    capture_rate,
    before_evaluable,
    before_responders,
    before_rate,
    before_capture_rate,
    limit_low,
    limit_high,
    -- Limits and rates are whole numbers over n: they differ by far more than this, or not at all.
    case
        when reason is null
            then response_rate < limit_low - 1e-9 or response_rate > limit_high + 1e-9
    end as beyond_limits,
    reason
from judged
