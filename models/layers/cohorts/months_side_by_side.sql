with
latest as (
    select max(month) as month
    from {{ ref('site_months') }}
    where {{ month_of(days_after('last_day', 1)) }} <> month
),

counted as (
    select
        {{ level('months.site') }} as site,
        latest.month,
        cast(sum(months.sessions) as bigint) as sessions,
        cast(sum(months.new_courses) as bigint) as new_courses,
        cast(sum(months.completed) as bigint) as completed,
        cast(sum(months.stopped) as bigint) as stopped,
        cast(sum(months.matured) as bigint) as matured,
        cast(sum(months.evaluable) as bigint) as evaluable,
        cast(sum(months.responders) as bigint) as responders
    from {{ ref('month_summary') }} as months
    inner join latest on months.month = latest.month
    group by latest.month, cube(months.site)
)

select
    counted.site,
    counted.month,
    counted.site = 'all' as is_total,
    counted.sessions,
    coalesce(safety.asked, 0) as asked,
    coalesce(safety.events, 0) as events,
    counted.new_courses,
    counted.completed,
    counted.stopped,
    counted.matured,
    counted.evaluable,
    counted.responders,
    cast(counted.responders as double) / nullif(counted.evaluable, 0) as response_rate,
    coalesce(delivery.session_eyes, 0) as session_eyes,
    coalesce(delivery.in_band_recorded, 0) as in_band_recorded,
    delivery.in_band_share
from counted
left join {{ ref('safety') }} as safety
    on
        {{ same(['site', 'month'], 'counted', 'safety') }}
        and safety.protocol = 'all'
        and safety.event = 'all'
        and safety.severity = 'all'
left join {{ ref('delivery') }} as delivery
    on {{ same(['site', 'month'], 'counted', 'delivery') }} and delivery.protocol = 'all'
