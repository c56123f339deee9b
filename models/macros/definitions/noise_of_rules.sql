{#- Definition 14: how the measure of each rule varies, and how well a value tells the next one.

    rules   name of a relation with rule and measure

    Columns: rule, first_values, mean, spread, patients_with_two, reliability. -#}
{% macro noise_of_rules(rules) %}
    with
    first_sessions as (
        select
            site,
            patient_key,
            min(session_date) as first_session
        from {{ ref('sessions') }}
        group by site, patient_key
    ),

    day_values as (
        {{ values_of_days() }}
    ),

    before_treatment as (
        select
            rules.rule,
            day_values.site,
            day_values.patient_key,
            day_values.value,
            first_sessions.first_session is null as is_untreated,
            row_number() over (
                partition by rules.rule, day_values.site, day_values.patient_key, day_values.eye
                order by day_values.assessed_date nulls last
            ) as place,
            lead(day_values.value) over (
                partition by rules.rule, day_values.site, day_values.patient_key, day_values.eye
                order by day_values.assessed_date nulls last
            ) as next_value
        from day_values
        inner join {{ rules }} as rules on day_values.measure = rules.measure
        left join first_sessions on {{ same(['site', 'patient_key'], 'day_values', 'first_sessions') }}
        where
            first_sessions.first_session is null
            or day_values.assessed_date <= first_sessions.first_session
    ),

    first_values as (
        select
            before_treatment.*,
            max(case when is_untreated then 1 else 0 end) over (partition by rule, site) = 1
                as site_exports_untreated
        from before_treatment
        where place = 1
    ),

    spreads as (
        select
            rule,
            count(*) as first_values,
            {{ mean_of('value') }} as mean,
            {{ covariance_of('value', 'value') }} as variance
        from first_values
        where site_exports_untreated
        group by rule
    ),

    repeats as (
        select
            rule,
            count(distinct site || '/' || patient_key) as patients_with_two,
            {{ covariance_of('value', 'next_value') }}
            / sqrt(
                nullif({{ covariance_of('value', 'value') }}, 0)
                * nullif({{ covariance_of('next_value', 'next_value') }}, 0)
            ) as correlation
        from first_values
        where next_value is not null
        group by rule
    )

    select
        rules.rule,
        coalesce(spreads.first_values, 0) as first_values,
        spreads.mean,
        sqrt(spreads.variance) as spread,
        coalesce(repeats.patients_with_two, 0) as patients_with_two,
        case
            when repeats.patients_with_two >= 30 and repeats.correlation is not null
                then greatest(least(repeats.correlation, 1e0), 0e0)
            when rules.measure = 'osdi' then cast({{ var('test_retest_osdi') }} as double)
        end as reliability
    from {{ rules }} as rules
    left join spreads on rules.rule = spreads.rule
    left join repeats on rules.rule = repeats.rule
{% endmacro %}
