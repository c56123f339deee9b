-- A month that was not over yet was bound to change: only whole months, and those that still are
-- as long as they were, are held against what was published.
with
unlike_units as (
    select
        units.site,
        units.batch
    from {{ ref('stg_units') }} as units
    left join {{ ref('stg_published_units') }} as earlier
        on {{ same(['site', 'batch', 'kind', 'digest'], 'units', 'earlier') }}
    where earlier.site is null
    union
    select
        earlier.site,
        earlier.batch
    from {{ ref('stg_published_units') }} as earlier
    left join {{ ref('stg_units') }} as units
        on {{ same(['site', 'batch', 'kind', 'digest'], 'earlier', 'units') }}
    where units.site is null
),

batches as (
    select
        site,
        {{ text_in_order('batch') }} as batches_since
    from unlike_units
    group by site
)

select
    earlier.site,
    earlier.month,
    earlier.figure,
    earlier.value as published_before,
    figures.value as published_now,
    cast(figures.value - earlier.value as decimal(18, 6)) as change,
    batches.batches_since,
    earlier.release as release_before
from {{ ref('stg_published_figures') }} as earlier
inner join {{ ref('stg_sites') }} as sites
    on earlier.site = sites.site and earlier.last_day <= sites.cutoff
left join {{ ref('month_figures') }} as figures
    on {{ same(['site', 'month', 'figure'], 'earlier', 'figures') }}
left join batches on earlier.site = batches.site
where
    (figures.last_day is null or figures.last_day = earlier.last_day)
    and figures.value is distinct from earlier.value
