with
counted as (
    select
        rule,
        site,
        patient_key,
        case when symptoms_band <> 'unknown' then symptoms_band end as band,
        case when outcome <> 'not_applicable' then 1 else 0 end as applicable,
        case when outcome in {{ evaluable_outcomes() }} then 1 else 0 end as evaluable,
        case when outcome = 'responder' then 1 else 0 end as responders
    from {{ ref('responses') }}
    where is_mature
),

compared as (
    {{ indirect_standardisation('counted', ['rule'], stratum='band', n='evaluable') }}
),

dispersions as (
    {{ overdispersion('compared', ['rule']) }}
),

patients as (
    select
        rule,
        site,
        patient_key,
        sum(applicable) as applicable,
        sum(evaluable) as evaluable,
        sum(responders) as responders
    from counted
    group by rule, site, patient_key
),

sites as (
    select
        rule,
        site,
        cast(sum(applicable) as bigint) as applicable,
        cast(sum(evaluable) as bigint) as evaluable,
        {{ effective_sample_size(
            'sum(responders)',
            'sum(evaluable)',
            'count(*) filter (where evaluable > 0)',
            'sum(responders * responders)',
            'sum(responders * evaluable)',
            'sum(evaluable * evaluable)',
        ) }} as effective_size
    from patients
    group by rule, site
),

-- Patients who give several rows vary more than the binomial allows, as do unlike sites; what is
-- estimated between sites holds both.
targets as (
    select
        sites.*,
        compared.n,
        compared.observed,
        compared.expected,
        compared.ratio,
        compared.expected / nullif(compared.n, 0) as expected_rate,
        dispersions.overdispersion,
        coalesce(dispersions.overdispersion, sites.evaluable / sites.effective_size) as variation
    from sites
    inner join compared on {{ same(['rule', 'site'], 'sites', 'compared') }}
    left join dispersions on sites.rule = dispersions.rule
),

limits as (
    {{ funnel_limits(
        'targets', ['rule', 'site'], rate='expected_rate', overdispersion='variation'
    ) }}
)

select
    targets.rule,
    targets.site,
    targets.evaluable,
    targets.observed,
    targets.expected,
    targets.ratio,
    {%- for limit in ['low_95', 'high_95', 'low_998', 'high_998'] %}
    limits.{{ limit }} / nullif(targets.expected_rate, 0) as {{ limit }},
    {%- endfor %}
    targets.overdispersion,
    cast(targets.evaluable as double) / nullif(targets.applicable, 0) as capture_rate
from targets
inner join limits on {{ same(['rule', 'site'], 'targets', 'limits') }}
