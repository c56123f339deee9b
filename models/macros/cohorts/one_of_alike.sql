{#- The rows of one patient out of all those who are alike in everything that counts, and as `alike`
    how many these are. What counts are codes and whole numbers, so that there are far fewer kinds
    of patients than patients, however many a release has.

    relation   name of a relation with patient_key, the keys and the columns; none of them null
    keys       columns within which patients are compared
    columns    what counts: patients whose rows agree in these are alike -#}
{% macro one_of_alike(relation, keys, columns) %}
    with
    described as (
        select
            {%- for key in keys %}
            {{ key }},
            {%- endfor %}
            patient_key,
            {{ text_in_order("concat_ws('|', " ~ columns | join(', ') ~ ')') }} as description
        from {{ relation }}
        group by
            {%- for key in keys %}
            {{ key }},
            {%- endfor %}
            patient_key
    ),

    chosen as (
        select
            {%- for key in keys %}
            {{ key }},
            {%- endfor %}
            min(patient_key) as patient_key,
            count(*) as alike
        from described
        group by
            {%- for key in keys %}
            {{ key }},
            {%- endfor %}
            description
    )

    select
        {{ relation }}.*,
        chosen.alike
    from {{ relation }}
    inner join chosen on {{ same(keys + ['patient_key'], relation, 'chosen') }}
{% endmacro %}
