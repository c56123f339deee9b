{#- Definition 12: the evaluable of each pair of protocols, one row per course (eye for eye-level
    rules) and pair, for the macros that compare two arms.

    pairs   name of a relation with rule, protocol, reference_protocol

    Columns: rule, protocol, reference_protocol, is_compared (false in the reference), site, band
    (of symptoms for every rule, null where unknown), patient_key, responders, evaluable (1). -#}
{% macro compared_arms(pairs) %}
    select
        pairs.rule,
        pairs.protocol,
        pairs.reference_protocol,
        responses.protocol = pairs.protocol as is_compared,
        responses.site,
        nullif(responses.symptoms_band, 'unknown') as band,
        responses.patient_key,
        case when responses.outcome = 'responder' then 1 else 0 end as responders,
        1 as evaluable
    from {{ pairs }} as pairs
    inner join {{ ref('responses') }} as responses
        on
            pairs.rule = responses.rule
            and responses.protocol in (pairs.protocol, pairs.reference_protocol)
    where responses.is_mature and responses.outcome in {{ evaluable_outcomes() }}
{% endmacro %}


{#- With fewer evaluable in an arm, nothing is compared (definition 12). -#}
{% macro fewest_compared() -%}
    10
{%- endmacro %}
