{#- Definition 2: one row per patient, measure, eye and day with a value that may count as baseline
    or evaluation: site, patient_key, measure, eye, assessed_date, value (the day's mean). -#}
{% macro values_of_days() %}
    select
        site,
        patient_key,
        measure,
        eye,
        assessed_date,
        {{ mean_of_day('value') }} as value
    from {{ ref('stg_outcomes') }}
    where timing is null or timing <> 'after_treatment'
    group by site, patient_key, measure, eye, assessed_date
{% endmacro %}
