{#- A harm whose code could not be read; any code that was read later answers it. -#}
{% set unreadable = 'unknown' %}

-- Every harm that any batch brought, held against what stands under its key now. This is double
-- entry: expectations/arrival/harms.sql states the same rule apart from this, so that a slip in one
-- is seen in the other, and a test holds them against each other.
with brought_by_sessions as (
    select
        site,
        batch,
        session_key,
        eye,
        adverse_event as event,
        session_date as event_date
    from {{ source('accepted', 'sessions') }}
    where adverse_event <> 'none'
),

brought_by_reports as (
    select
        site,
        batch,
        event_key,
        event,
        onset_date as event_date,
        severity,
        serious
    from {{ source('accepted', 'adverse_events') }}
),

refused_harms as (
    select
        site,
        batch,
        harm_key,
        session_key,
        eye,
        event,
        event_date,
        severity,
        serious,
        withdrawn_last_day
    from {{ source('arrivals', 'refused_harms') }}
),

days_covered as (
    select
        site,
        batch,
        last_day
    from {{ ref('stg_batches') }}
    union
    select
        site,
        batch,
        withdrawn_last_day as last_day
    from refused_harms
    where withdrawn_last_day is not null
),

batches as (
    select
        site,
        batch,
        row_number() over (partition by site order by last_day asc, batch asc) as position
    from days_covered
),

session_keys as (
    select
        site,
        session_key,
        eye
    from brought_by_sessions
    union
    select
        site,
        session_key,
        eye
    from refused_harms
),

sessions_now as (
    {{ newest_rows('sessions', ['session_key', 'eye'], among='session_keys') }}
),

reports_now as (
    {{ newest_rows('adverse_events', ['event_key']) }}
),

brought as (
    select
        site,
        {{ harm_key('session_key', 'eye') }} as harm_key,
        batch,
        event,
        event_date,
        cast(null as {{ dbt.type_string() }}) as severity,
        cast(null as boolean) as serious,
        false as was_refused,
        false as batch_withdrawn
    from brought_by_sessions
    union all
    select
        site,
        {{ harm_key('event_key') }} as harm_key,
        batch,
        event,
        event_date,
        severity,
        serious,
        false as was_refused,
        false as batch_withdrawn
    from brought_by_reports
    union all
    select
        site,
        harm_key,
        batch,
        event,
        event_date,
        severity,
        serious,
        withdrawn_last_day is null as was_refused,
        withdrawn_last_day is not null as batch_withdrawn
    from refused_harms
),

standing as (
    select
        site,
        {{ harm_key('session_key', 'eye') }} as harm_key,
        adverse_event as event,
        cast(null as {{ dbt.type_string() }}) as severity,
        cast(null as boolean) as serious,
        true as has_row
    from sessions_now
    union all
    select
        site,
        {{ harm_key('event_key') }} as harm_key,
        event,
        severity,
        serious,
        true as has_row
    from reports_now
),

vanished as (
    select
        brought.site,
        brought.harm_key,
        brought.event,
        brought.event_date,
        batches.batch,
        batches.position,
        case
            when brought.batch_withdrawn then 'withdrawn'
            when brought.was_refused then 'refused'
            when standing.has_row is null then 'withdrawn'
            else 'lowered'
        end as why
    from brought
    inner join batches on brought.site = batches.site and brought.batch = batches.batch
    left join standing
        on brought.site = standing.site and brought.harm_key = standing.harm_key
    where
        standing.event is null
        or (
            standing.event <> brought.event
            and (brought.event <> '{{ unreadable }}' or standing.event = 'none')
        )
        or {{ harm_rank('standing.severity') }} < {{ harm_rank('brought.severity') }}
        or (brought.serious and not coalesce(standing.serious, false))
),

listed as (
    select
        site,
        harm_key,
        case
            when bool_or(why = 'withdrawn') then 'withdrawn'
            when bool_or(why = 'refused') then 'refused'
            else 'lowered'
        end as why,
        string_agg(distinct event, ', ' order by event) as event,
        max(event_date) as event_date,
        max(position) as position
    from vanished
    group by site, harm_key
),

decisions as (
    select
        site,
        harm,
        decision,
        decided_on
    from {{ source('settings', 'settled_harms') }}
    qualify row_number() over (partition by site, harm order by decided_on desc, decision asc) = 1
)

select
    listed.site,
    listed.harm_key,
    listed.why,
    listed.event,
    listed.event_date,
    batches.batch,
    decisions.decision is not null as settled,
    decisions.decision,
    decisions.decided_on
from listed
inner join batches on listed.site = batches.site and listed.position = batches.position
left join decisions on listed.site = decisions.site and listed.harm_key = decisions.harm
