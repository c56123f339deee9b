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
)

select
    site,
    protocol,
    month,
    event,
    severity,
    sessions,
    asked,
    events,
    serious,
    100e0 * events / nullif(asked, 0) as rate_per_100,
    {{ exact_low('events', 'asked') }} * 100e0 as rate_low, -- noqa: PRS
    {{ exact_high('events', 'asked') }} * 100e0 as rate_high -- noqa: PRS
from counted
