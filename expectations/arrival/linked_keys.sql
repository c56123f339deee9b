-- One row per site, link between kinds and key that the link names: whether it leads nowhere.
with

links as (
    select distinct
        site,
        'sessions to visits' as link,
        patient_key as linked_key
    from sessions

    union all

    select distinct
        site,
        'outcomes to visits' as link,
        patient_key as linked_key
    from outcomes

    union all

    select distinct
        site,
        'adverse events to sessions' as link,
        session_key as linked_key
    from adverse_events
    where session_key is not null
),

targets as (
    select distinct
        site,
        patient_key as target_key
    from visits

    union all

    select distinct
        site,
        session_key as target_key
    from sessions
)

select
    links.site,
    links.link,
    links.linked_key,
    targets.target_key is null as leads_nowhere
from links
left join targets on links.site = targets.site and links.linked_key = targets.target_key
order by links.site, links.link, links.linked_key
