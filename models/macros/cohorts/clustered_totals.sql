{#- Counts on every level of a table's grain, with what the limits of one share need to know about
    patients who give several rows (definition 11).

    relation    name of a relation with a row per course, eye or interval: site, patient_key,
                the keys, the dimensions and the counts
    keys        columns that split the table and are never totalled (may be empty)
    dimensions  columns that are totalled too, as `all`; site always is one
    counts      whole-number columns that are added up
    events, of  the two counts whose share is wanted

    Columns: keys, dimensions, site, counts, patients, effective_size (null where `of` is 0), and
    what that was worked out from.

    A patient's rows are added up before they are squared, and that in each cell anew. Most
    patients lie in a single finest cell and therefore whole in every total above it: their squares
    are simply added. Only a patient spread over several cells is followed by key. -#}
{% macro clustered_totals(relation, keys, dimensions, counts, events, of) %}
    with
    patients_in_cells as (
        select
            {%- for column in keys + dimensions %}
            {{ column }},
            {%- endfor %}
            site,
            patient_key,
            {%- for count in counts %}
            cast(sum({{ count }}) as bigint) as {{ count }}{{ ',' if not loop.last }}
            {%- endfor %}
        from {{ relation }}
        group by
            {%- for column in keys + dimensions %}
            {{ column }},
            {%- endfor %}
            site,
            patient_key
    ),

    marked as (
        select
            patients_in_cells.*,
            case
                when
                    count(*) over (
                        partition by {{ (keys + ['site', 'patient_key']) | join(', ') }}
                    ) > 1
                    then patient_key
            end as spread_patient
        from patients_in_cells
    ),

    cells_of_sites as (
        select
            {%- for column in keys %}
            {{ column }},
            {%- endfor %}
            {%- for column in dimensions %}
            {{ level(column) }} as {{ column }},
            {%- endfor %}
            site,
            {%- for count in counts %}
            cast(sum({{ count }}) as bigint) as {{ count }},
            {%- endfor %}
            case when spread_patient is null then count(*) else 1 end as patients,
            case
                when spread_patient is null then count(*) filter (where {{ of }} > 0)
                when sum({{ of }}) > 0 then 1
                else 0
            end as clusters,
            {{ _product(events, events) }} as events_by_events,
            {{ _product(events, of) }} as events_by_of,
            {{ _product(of, of) }} as of_by_of
        from marked
        group by
            {%- for column in keys %}
            {{ column }},
            {%- endfor %}
            site,
            spread_patient,
            cube ({{ dimensions | join(', ') }})
    )

    select
        sums.*,
        {{ effective_sample_size(
            events, of, 'clusters', 'events_by_events', 'events_by_of', 'of_by_of'
        ) }} as effective_size
    from (
        select
            {%- for column in keys + dimensions %}
            {{ column }},
            {%- endfor %}
            {{ level('site') }} as site,
            {%- for count in counts + ['patients', 'clusters'] %}
            cast(sum({{ count }}) as bigint) as {{ count }},
            {%- endfor %}
            cast(sum(events_by_events) as bigint) as events_by_events,
            cast(sum(events_by_of) as bigint) as events_by_of,
            cast(sum(of_by_of) as bigint) as of_by_of
        from cells_of_sites
        group by
            {%- for column in keys + dimensions %}
            {{ column }},
            {%- endfor %}
            cube (site)
    ) as sums
{% endmacro %}


{#- Sum over the patients of a cell of one count times another. -#}
{% macro _product(one, other) -%}
    cast(
                case
                    when spread_patient is null then sum({{ one }} * {{ other }})
                    else sum({{ one }}) * sum({{ other }})
                end as bigint
            )
{%- endmacro %}
