{%- set pair = ['rule', 'protocol', 'reference_protocol'] -%}
with
evaluated as (
    {{ compared_arms(ref('protocol_comparison')) }}
),

sizes as (
    select
        {{ pair | join(', ') }},
        band,
        least(
            count(*) filter (where is_compared), count(*) filter (where not is_compared)
        ) as smaller_arm
    from evaluated
    where band is not null
    group by {{ pair | join(', ') }}, band
),

-- The error of a few patients' difference is too uncertain to weigh it by.
weighable as (
    select evaluated.*
    from evaluated
    inner join sizes on {{ same(pair + ['band'], 'evaluated', 'sizes') }}
    where sizes.smaller_arm >= {{ fewest_compared() }}
),

tested as (
    {{ homogeneity('weighable', pair, 'is_compared', 'band', n='evaluable') }} -- noqa: PRS
),

judged as (
    select
        compared.rule,
        compared.protocol,
        compared.reference_protocol,
        coalesce(tested.strata, 0) as bands,
        tested.q,
        tested.p_value,
        nullif(
            concat_ws(
                '; ',
                compared.reason,
                case
                    when coalesce(tested.strata, 0) < 2
                        then 'fewer than two severity bands can be compared'
                end
            ),
            ''
        ) as reason
    from {{ ref('protocol_comparison') }} as compared
    left join tested on {{ same(pair, 'compared', 'tested') }}
),

withheld as (
    select
        rule,
        protocol,
        reference_protocol,
        bands,
        case when reason is null then q end as statistic,
        case when reason is null then bands - 1 end as degrees_of_freedom,
        case when reason is null then p_value end as p_value,
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
    bands,
    statistic,
    degrees_of_freedom,
    reason is null as comparable,
    reason,
    p_value,
    p_adjusted
from adjusted
