{#- The rows of one kind that stand: of every key (the grain's columns), the newest batch's row.

    Batches are ordered by their position. A site whose exports are `full` withdraws a key that its
    newest batch of the kind holds neither accepted nor refused; a kind that did not arrive, or
    whose files were all refused whole, withdraws nothing.

    grain: the columns that make a key within a site.
    whole: the newest batch's rows of a key replace all older ones together, so that a key may
    stand for many rows.
    among: optionally a relation with the site and the grain, to look at its keys only.

    Gives every column of the accepted rows, and the site's cutoff. -#}
{% macro newest_rows(kind, grain, whole=false, among=none) %}
    {%- set key = ['site'] + grain -%}
    select
        arrived.*,
        sites.cutoff
    from {{ source('accepted', kind) }} as arrived
    inner join {{ ref('stg_batches') }} as batches
        on arrived.site = batches.site and arrived.batch = batches.batch
    inner join {{ ref('stg_sites') }} as sites on arrived.site = sites.site
    left join (
        select files.site, max(batches.position) as position
        from {{ source('arrivals', 'files') }} as files
        inner join {{ ref('stg_batches') }} as batches
            on files.site = batches.site and files.batch = batches.batch
        where files.kind = '{{ kind }}' and not files.file_refused
        group by files.site
    ) as newest on arrived.site = newest.site
    where
        (
            sites.exports = 'changes'
            or batches.position = newest.position
            or exists (
                select 1
                from {{ source('refused', kind) }} as refused
                inner join {{ ref('stg_batches') }} as refusing
                    on refused.site = refusing.site and refused.batch = refusing.batch
                where
                    refusing.position = newest.position
                    {%- for column in key %}
                    and refused.{{ column }} = arrived.{{ column }}
                    {%- endfor %}
            )
        )
        {%- if among is not none %}
        and exists (
            select 1
            from {{ among }} as wanted
            where
                {%- for column in key %}
                {{ 'and ' if not loop.first }}wanted.{{ column }} = arrived.{{ column }}
                {%- endfor %}
        )
        {%- endif %}
    qualify
        {{ 'dense_rank' if whole else 'row_number' }}() over (
            partition by {% for column in key %}arrived.{{ column }}{{ ', ' if not loop.last }}{% endfor %}
            order by batches.position desc
        ) = 1
{% endmacro %}
