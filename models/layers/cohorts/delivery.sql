with
delivered as (
    select
        eyes.site,
        eyes.protocol,
        {{ month_of('eyes.session_date') }} as month,
        eyes.plateau_temp_c between protocols.band_low_c and protocols.band_high_c as in_band,
        eyes.minutes between protocols.minutes_low and protocols.minutes_high as in_minutes,
        eyes.days_since_previous
        between protocols.spacing_low_days and protocols.spacing_high_days as spacing_kept,
        eyes.max_temp_c > protocols.ceiling_c as over_temperature,
        eyes.glands_expressed as expressed,
        eyes.stopped_early,
        eyes.screened,
        eyes.consent_recorded,
        eyes.cem43_minutes
    from {{ ref('session_eyes') }} as eyes
    inner join {{ ref('stg_protocols') }} as protocols
        on eyes.protocol = protocols.protocol
)

select
    {{ level('site') }} as site,
    {{ level('protocol') }} as protocol,
    {{ level('month') }} as month,
    count(*) as session_eyes,
    {%- for check in ['in_band', 'in_minutes', 'spacing_kept', 'over_temperature'] %}
    count({{ check }}) as {{ check }}_recorded,
    {{ share_true(check) }} as {{ check }}_share,
    {%- endfor %}
    {%- for mark in ['expressed', 'stopped_early', 'screened', 'consent_recorded'] %}
    {{ count_true(mark) }} as {{ mark }},
    {%- endfor %}
    cast({{ median('cem43_minutes') }} as double) as median_cem43
from delivered
group by cube(site, protocol, month)
