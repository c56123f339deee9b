{%- set least_share = '0.5e0' -%}
{%- set least_evaluable = 10 -%}
{%- set least_measured = '0.6e0' -%}
with
most_used as (
    select protocols.protocol
    from {{ ref('stg_protocols') }} as protocols
    left join {{ ref('courses') }} as courses on protocols.protocol = courses.protocol
    group by protocols.protocol, protocols.position
    qualify
        row_number() over (
            order by count(courses.course_id) desc, protocols.position nulls last
        ) = 1
),

pairs as (
    select
        rules.rule,
        protocols.protocol,
        chosen.reference_protocol
    from {{ ref('stg_protocols') }} as protocols
    cross join {{ ref('response_rules') }} as rules
    cross join (
        {%- if var('reference_protocol') == 'most_used' %}
        select protocol as reference_protocol from most_used
        {%- else %}
        select '{{ var("reference_protocol") }}' as reference_protocol
        {%- endif %}
    ) as chosen
    where protocols.protocol <> chosen.reference_protocol
),

arms as (
    select
        rule,
        protocol,
        count(*) as courses,
        count(*) filter (where outcome <> 'not_applicable') as applicable,
        count(*) filter (where outcome in {{ evaluable_outcomes() }}) as evaluable,
        count(distinct case when outcome in {{ evaluable_outcomes() }} then site end) as sites
    from {{ ref('responses') }}
    where is_mature
    group by rule, protocol
),

evaluated as (
    select
        pairs.rule,
        pairs.protocol,
        responses.protocol = pairs.protocol as is_compared,
        responses.patient_key,
        case when responses.symptoms_band <> 'unknown' then responses.symptoms_band end as band,
        case
            when responses.symptoms_band <> 'unknown'
                then responses.site || '/' || responses.symptoms_band
        end as site_and_band,
        case when responses.outcome = 'responder' then 1 else 0 end as responders,
        1 as evaluable
    from pairs
    inner join {{ ref('responses') }} as responses
        on
            pairs.rule = responses.rule
            and responses.protocol in (pairs.protocol, pairs.reference_protocol)
    where responses.is_mature and responses.outcome in {{ evaluable_outcomes() }}
),

standardised as (
    {{ standardised_difference(
        'evaluated', ['rule', 'protocol'], 'is_compared', 'band', n='evaluable'
    ) }}
),

stratified as (
    {{ mantel_haenszel(
        'evaluated', ['rule', 'protocol'], 'is_compared', 'site_and_band', n='evaluable'
    ) }}
),

judged as (
    select
        pairs.rule,
        pairs.protocol,
        pairs.reference_protocol,
        coalesce(compared.courses, 0) as courses,
        coalesce(compared.evaluable, 0) as evaluable,
        standardised.crude_rate,
        standardised.reference_crude_rate,
        standardised.standardised_rate,
        standardised.reference_standardised_rate,
        standardised.difference,
        standardised.difference_low,
        standardised.difference_high,
        stratified.difference as mh_difference,
        standardised.share_in_overlap,
        standardised.p_value,
        case
            when
                coalesce(compared.evaluable, 0) < {{ least_evaluable }}
                or coalesce(reference.evaluable, 0) < {{ least_evaluable }}
                then 'few_evaluable'
            when
                compared.evaluable < {{ least_measured }} * compared.applicable
                or reference.evaluable < {{ least_measured }} * reference.applicable
                then 'few_measured'
            when coalesce(standardised.share_in_overlap, 0) < {{ least_share }}
                then 'little_overlap'
            when least(compared.sites, reference.sites) = 1 then 'one_site_only'
        end as reason
    from pairs
    left join arms as compared
        on pairs.rule = compared.rule and pairs.protocol = compared.protocol
    left join arms as reference
        on pairs.rule = reference.rule and pairs.reference_protocol = reference.protocol
    left join standardised on {{ same(['rule', 'protocol'], 'pairs', 'standardised') }}
    left join stratified on {{ same(['rule', 'protocol'], 'pairs', 'stratified') }}
),

withheld as (
    select
        rule,
        protocol,
        reference_protocol,
        courses,
        evaluable,
        crude_rate,
        reference_crude_rate,
        standardised_rate,
        reference_standardised_rate,
        {%- for figure in [
            'difference', 'difference_low', 'difference_high', 'mh_difference', 'p_value',
        ] %}
        case when reason is null then {{ figure }} end as {{ figure }},
        {%- endfor %}
        share_in_overlap,
        reason is null as comparable,
        reason
    from judged
),

adjusted as (
    {{ benjamini_hochberg('withheld', 'p_value') }}
)

select
    rule,
    protocol,
    reference_protocol,
    courses,
    evaluable,
    crude_rate,
    reference_crude_rate,
    standardised_rate,
    reference_standardised_rate,
    difference,
    difference_low,
    difference_high,
    mh_difference,
    share_in_overlap,
    comparable,
    reason,
    p_value,
    p_adjusted
from adjusted
