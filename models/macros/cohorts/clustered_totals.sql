{#- Counts on every level of a table's grain, with the effective sample size of one share where
    patients give several rows (definition 11).

    relation    name of a relation with a row per course, eye or interval: site, patient_key,
                the keys, the dimensions and the counts; none of them null
    keys        columns that split the table and are never totalled (may be empty)
    dimensions  columns that are totalled too, as `all`; site always is one
    counts      whole-number columns that are added up
    events, of  the two counts whose share is wanted

    Columns: keys, dimensions, site, counts, patients, effective_size (null where `of` is 0), and
    what that was worked out from.

    A patient's rows are added up before they are squared, and that on each level anew. -#}
{% macro clustered_totals(relation, keys, dimensions, counts, events, of) %}
    with
    crowds as (
        {{ one_of_alike(relation, keys, ['site'] + dimensions + counts) | indent(4) }}
    ),

    patients_in_cells as (
        select
            {%- for column in keys %}
            {{ column }},
            {%- endfor %}
            {%- for column in dimensions %}
            {{ level(column) }} as {{ column }},
            {%- endfor %}
            site,
            alike,
            {%- for count in counts %}
            cast(sum({{ count }}) as bigint) as {{ count }}{{ ',' if not loop.last }}
            {%- endfor %}
        from crowds
        group by
            {%- for column in keys %}
            {{ column }},
            {%- endfor %}
            site,
            patient_key,
            alike,
            cube({{ dimensions | join(', ') }})
    ),

    sums as (
        select
            {%- for column in keys + dimensions %}
            {{ column }},
            {%- endfor %}
            {{ level('site') }} as site,
            {%- for count in counts %}
            cast(sum(alike * {{ count }}) as bigint) as {{ count }},
            {%- endfor %}
            cast(sum(alike) as bigint) as patients,
            cast(sum(case when {{ of }} > 0 then alike else 0 end) as bigint) as clusters,
            cast(sum(alike * {{ events }} * {{ events }}) as bigint) as events_by_events,
            cast(sum(alike * {{ events }} * {{ of }}) as bigint) as events_by_of,
            cast(sum(alike * {{ of }} * {{ of }}) as bigint) as of_by_of
        from patients_in_cells
        group by
            {%- for column in keys + dimensions %}
            {{ column }},
            {%- endfor %}
            cube(site)
    )

    select
        sums.*,
        {{ effective_sample_size(
            events, of, 'clusters', 'events_by_events', 'events_by_of', 'of_by_of'
        ) }} as effective_size
    from sums
{% endmacro %}
