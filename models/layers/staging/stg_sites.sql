with covered as (
    select
        site,
        max(last_day) as last_day
    from {{ ref('stg_batches') }}
    group by site
)

select
    sites.site,
    sites.label,
    sites.exports,
    sites.position,
    case
        when covered.last_day <= cast('{{ var("as_of") }}' as date) then covered.last_day
        when covered.last_day is not null then cast('{{ var("as_of") }}' as date)
    end as cutoff
from {{ source('settings', 'sites') }} as sites
left join covered on sites.site = covered.site
