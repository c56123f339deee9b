-- Events are counted where the session stands that they belong to, so that numerator and
-- denominator are of one place and month; an event without any session before it stands in the
-- month of its onset, protocol `unknown`.
with
sessions as (
    select
        site,
        protocol,
        {{ month_of('session_date') }} as month,
        asked
    from {{ ref('sessions') }}
),

harms as (
    select
        site,
        coalesce(protocol, 'unknown') as protocol,
        {{ month_of('coalesce(session_date, event_date)') }} as month,
        event,
        severity,
        serious
    from {{ ref('adverse_events') }}
),

places as (
    select
        {{ level('site') }} as site,
        {{ level('protocol') }} as protocol,
        {{ level('month') }} as month,
        count(asked) as sessions,
        count(*) filter (where asked) as asked
    from (
        select site, protocol, month, asked from sessions
        union all
        select site, protocol, month, cast(null as boolean) as asked from harms
    ) as seen
    group by cube(site, protocol, month)
),

kinds as (
    {%- for event in harm_codes() + ['all'] %}
    {%- set last_event = loop.last %}
    {%- for severity in harm_severities() + ['all'] %}
    select '{{ event }}' as event, '{{ severity }}' as severity
    {%- if not (last_event and loop.last) %}
    union all
    {%- endif %}
    {%- endfor %}
    {%- endfor %}
),

happened as (
    select
        {{ level('site') }} as site,
        {{ level('protocol') }} as protocol,
        {{ level('month') }} as month,
        {{ level('event') }} as event,
        {{ level('severity') }} as severity,
        count(*) as events,
        count(*) filter (where serious) as serious
    from harms
    group by cube(site, protocol, month, event, severity)
),

counted as (
    select
        places.site,
        places.protocol,
        places.month,
        kinds.event,
        kinds.severity,
        places.sessions,
        places.asked,
        coalesce(happened.events, 0) as events,
        coalesce(happened.serious, 0) as serious
    from places
    cross join kinds
    left join happened
        on {{ same(['site', 'protocol', 'month'], 'places', 'happened') }}
        and {{ same(['event', 'severity'], 'kinds', 'happened') }}
),

-- The limits of how many events are expected depend on how many were seen, and many rows have
-- seen as many: each number's are worked out once.
limits as (
    select
        events,
        {{ exact_low('events', '1') }} as events_low, -- noqa: PRS
        {{ exact_high('events', '1') }} as events_high -- noqa: PRS
    from (select distinct events from counted) as seen
)

select
    counted.site,
    counted.protocol,
    counted.month,
    counted.event,
    counted.severity,
    counted.sessions,
    counted.asked,
    counted.events,
    counted.serious,
    100e0 * counted.events / nullif(counted.asked, 0) as rate_per_100,
    limits.events_low / nullif(counted.asked, 0) * 100e0 as rate_low,
    limits.events_high / nullif(counted.asked, 0) * 100e0 as rate_high
from counted
inner join limits on counted.events = limits.events
