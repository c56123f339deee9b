{%- set pair = ['rule', 'protocol', 'reference_protocol'] -%}
with
mature as (
    select
        protocol,
        count(*) as courses
    from {{ ref('courses') }}
    where is_mature
    group by protocol
),

-- The configured protocol, else that of most mature courses, the first in group.toml among equals.
reference as (
    select protocols.protocol
    from {{ ref('stg_protocols') }} as protocols
    left join mature on protocols.protocol = mature.protocol
    qualify
        row_number() over (
            order by
                case when protocols.protocol = '{{ var("reference_protocol") }}' then 0 else 1 end,
                coalesce(mature.courses, 0) desc,
                protocols.position
        ) = 1
),

pairs as (
    select
        rules.rule,
        protocols.protocol,
        reference.protocol as reference_protocol
    from {{ ref('stg_protocols') }} as protocols
    inner join reference on protocols.protocol <> reference.protocol
    cross join {{ ref('response_rules') }} as rules
),

arms as (
    select
        rule,
        protocol,
        count(*) as courses,
        count(*) filter (where outcome <> 'not_applicable') as applicable,
        count(*) filter (where outcome in {{ evaluable_outcomes() }}) as evaluable
    from {{ ref('responses') }}
    where is_mature
    group by rule, protocol
),

evaluated as (
    {{ compared_arms('pairs') }}
),

standardised as (
    {{ standardised_difference('evaluated', pair, 'is_compared', 'band', n='evaluable') }}
),

placed as (
    select
        *,
        site || '/' || band as site_and_band
    from evaluated
),

stratified as (
    {{ mantel_haenszel('placed', pair, 'is_compared', 'site_and_band', n='evaluable') }}
),

sites as (
    select
        {{ pair | join(', ') }},
        site,
        count(distinct is_compared) as arms
    from evaluated
    group by {{ pair | join(', ') }}, site
),

shared_sites as (
    select
        {{ pair | join(', ') }},
        count(*) filter (where arms = 2) as shared_sites
    from sites
    group by {{ pair | join(', ') }}
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
        nullif(
            concat_ws(
                '; ',
                case
                    when
                        coalesce(compared.evaluable, 0) < {{ fewest_compared() }}
                        or coalesce(reference_arm.evaluable, 0) < {{ fewest_compared() }}
                        then 'fewer than {{ fewest_compared() }} evaluable with one of the two'
                end,
                case
                    when
                        compared.evaluable < 0.6e0 * compared.applicable
                        or reference_arm.evaluable < 0.6e0 * reference_arm.applicable
                        then 'fewer than 60 % measured with one of the two'
                end,
                case coalesce(shared_sites.shared_sites, 0)
                    when 0 then 'no clinic has results of both'
                    when 1 then 'only one clinic has results of both'
                end,
                case
                    when coalesce(standardised.share_in_overlap, 0e0) < 0.5e0
                        then 'fewer than 50 % in severity bands that both share'
                end
            ),
            ''
        ) as reason
    from pairs
    left join arms as compared
        on pairs.rule = compared.rule and pairs.protocol = compared.protocol
    left join arms as reference_arm
        on pairs.rule = reference_arm.rule and pairs.reference_protocol = reference_arm.protocol
    left join standardised on {{ same(pair, 'pairs', 'standardised') }}
    left join stratified on {{ same(pair, 'pairs', 'stratified') }}
    left join shared_sites on {{ same(pair, 'pairs', 'shared_sites') }}
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
