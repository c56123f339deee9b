{#- What somebody may know of a patient; every set of these is looked at. -#}
{% set characteristics = ['site', 'age_band', 'sex', 'first_month'] -%}
{% set age_band_years = 10 -%}

with days as (
    select
        site,
        patient_key,
        visit_date as day
    from {{ ref('stg_visits') }}
    union all
    select
        site,
        patient_key,
        session_date as day
    from {{ ref('stg_sessions') }}
),

first_months as (
    select
        site,
        patient_key,
        {{ month_of('min(day)') }} as first_month
    from days
    group by site, patient_key
),

first_ages as (
    select
        site,
        patient_key,
        cast(floor(age_years / {{ age_band_years }}) * {{ age_band_years }} as bigint) as age_from
    from {{ ref('stg_visits') }}
    where age_years is not null
    qualify
        row_number() over (
            partition by site, patient_key order by visit_date asc, visit_key asc
        ) = 1
),

latest_sexes as (
    select
        site,
        patient_key,
        sex
    from {{ ref('stg_visits') }}
    where sex is not null
    qualify
        row_number() over (
            partition by site, patient_key order by visit_date desc, visit_key desc
        ) = 1
),

patients as (
    select
        first_months.patient_key,
        first_months.site,
        coalesce(cast(first_ages.age_from as {{ dbt.type_string() }}), 'unknown') as age_band,
        coalesce(latest_sexes.sex, 'unknown') as sex,
        first_months.first_month
    from first_months
    left join first_ages
        on
            first_months.site = first_ages.site
            and first_months.patient_key = first_ages.patient_key
    left join latest_sexes
        on
            first_months.site = latest_sexes.site
            and first_months.patient_key = latest_sexes.patient_key
),

known_sets as (
    {% for number in range(1, 2 ** (characteristics | length)) %}
    {% set names = [] %}
    select
        {% for name in characteristics %}
        {% set is_known = (number // 2 ** loop.index0) % 2 == 1 %}
        {% if is_known %}{% do names.append(name) %}{% endif %}
        {{ is_known | lower }} as knows_{{ name }},
        {% endfor %}
        '{{ names | join(", ") }}' as known
    {% if not loop.last %}union all{% endif %}
    {% endfor %}
),

-- One row per patient and set. What is not known tells nobody apart: it is null for all.
seen as (
    select
        patients.patient_key,
        patients.site as own_site,
        known_sets.*,
        {% for name in characteristics %}
        case when known_sets.knows_{{ name }} then patients.{{ name }} end as {{ name }}
        {%- if not loop.last %},{% endif %}
        {% endfor %}
    from patients
    cross join known_sets
),

counted as (
    select
        seen.*,
        count(*) over (
            partition by known, {{ characteristics | join(", ") }}
        ) as group_size,
        row_number() over (
            partition by known, {{ characteristics | join(", ") }}
            order by own_site asc, patient_key asc
        ) as place_in_group
    from seen
),

in_small_groups as (
    select * from counted
    where group_size < {{ var('hide_counts_below') }}
),

-- In a small group by less as well: it is not this combination that is rare.
small_by_less as (
    select distinct
        more.own_site,
        more.patient_key,
        more.known
    from in_small_groups as more
    inner join in_small_groups as fewer
        on
            more.own_site = fewer.own_site
            and more.patient_key = fewer.patient_key
            and more.known <> fewer.known
            {% for name in characteristics %}
            and (more.knows_{{ name }} or not fewer.knows_{{ name }})
            {% endfor %}
)

select
    counted.known,
    count(*) as patients,
    count(*) filter (where counted.place_in_group = 1) as groups,
    min(counted.group_size) as smallest_group,
    count(*) filter (
        where counted.place_in_group = 1 and counted.group_size < {{ var('hide_counts_below') }}
    ) as small_groups,
    count(*) filter (
        where counted.group_size < {{ var('hide_counts_below') }}
    ) as patients_in_small_groups,
    count(*) filter (where counted.group_size = 1) as patients_alone,
    count(*) filter (
        where
            counted.group_size < {{ var('hide_counts_below') }} and small_by_less.known is null
    ) as patients_rare
from counted
left join small_by_less
    on
        counted.own_site = small_by_less.own_site
        and counted.patient_key = small_by_less.patient_key
        and counted.known = small_by_less.known
group by counted.known
