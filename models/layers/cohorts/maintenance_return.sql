{%- set cause = {'open': 0, 'returned': 1, 'competing': 2} -%}
with
ended as (
    select
        site,
        protocol,
        patient_key,
        case
            when left_on is not null or status = 'new_course' then {{ cause.competing }}
            when ended_on is not null then {{ cause.returned }}
            else {{ cause.open }}
        end as cause,
        case
            when left_on is not null then {{ days_between('started_on', 'left_on') }}
            else days
        end as days
    from {{ ref('maintenance_intervals') }}
),

members as (
    {{ in_every_total(
        'ended', columns=['patient_key', 'cause', 'days'], dimensions=['site', 'protocol']
    ) }}
),

incidences as (
    {{ aalen_johansen(
        'members', ['site', 'protocol'], cluster='patient_key', causes=[cause.returned]
    ) }}
)

select
    site,
    protocol,
    time as days,
    {{ is_total(['site', 'protocol']) }} as is_total,
    at_risk,
    events as returned,
    incidence as returned_by,
    incidence_low as returned_low,
    incidence_high as returned_high
from incidences
where events > 0
