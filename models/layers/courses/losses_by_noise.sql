{%- set by_day = 365 -%}
{%- set case = ['rule', 'amount', 'times_amount', 'seen_every_days'] -%}
with
amounts as (
    {%- for band in ['normal', 'mild', 'moderate', 'severe', 'unknown'] %}
    select
        rule,
        amount_{{ band }} as amount
    from {{ ref('response_rules') }}
    where amount_{{ band }} is not null
    {%- if not loop.last %}
    union
    {%- endif %}
    {%- endfor %}
),

-- Nobody is seen between the final evaluation, on the target day, and the next one.
cases as (
    select
        amounts.rule,
        amounts.amount,
        gains.times_amount,
        amounts.amount * gains.times_amount as gain,
        intervals.seen_every_days,
        cast(
            floor(({{ by_day }} - {{ var('target_day') }}) / intervals.seen_every_days) as bigint
        ) as evaluations,
        noise.spread,
        noise.reliability
    from amounts
    inner join {{ ref('measurement_noise') }} as noise on amounts.rule = noise.rule
    cross join (values (1e0), (1.5e0), (2e0)) as gains (times_amount)
    cross join (
        values (cast(90 as bigint)), (cast(180 as bigint))
    ) as intervals (seen_every_days)
),

losses as (
    {{ lost_by_noise(
        'cases',
        case,
        amount='amount',
        gain='gain',
        spread='spread',
        reliability='reliability',
        evaluations='evaluations',
    ) }}
)

select
    cases.rule,
    cast(cases.amount as double) as amount,
    cases.times_amount,
    cases.seen_every_days,
    cast({{ by_day }} as bigint) as by_day,
    cases.spread * sqrt(1e0 - cases.reliability) as noise,
    losses.lost
from cases
inner join losses on {{ same(case, 'cases', 'losses') }}
