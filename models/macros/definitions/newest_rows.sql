{#- The rows of one kind that stand: of every key (the grain's columns), the newest batch's row.

    Batches are ordered by their position. A site whose exports are `full` withdraws a key that its
    newest batch of the kind holds neither accepted nor refused; a kind that did not arrive, or
    whose files were all refused whole, withdraws nothing.

    grain: the columns that make a key within a site.
    whole: a key stands for many rows, which the newest batch replaces together.
    among: optionally a relation with the site and the grain, to look at its keys only.

    Gives every column of the accepted rows, and the site's cutoff; where `whole`, one row per key
    with the batch whose rows stand. -#}
{% macro newest_rows(kind, grain, whole=false, among=none) %}
    {%- set key = ['site'] + grain -%}
    select
        arrived.*,
        sites.cutoff
    from
        {%- if whole %} (
            select distinct
                {%- for column in key %}
                {{ column }},
                {%- endfor %}
                batch
            from {{ source('accepted', kind) }}
        )
        {%- else %} {{ source('accepted', kind) }}
        {%- endif %} as arrived
    inner join {{ ref('stg_batches') }} as batches
        on arrived.site = batches.site and arrived.batch = batches.batch
    inner join {{ ref('stg_sites') }} as sites on arrived.site = sites.site
    left join ({{ newest_arrivals(kind) }}) as newest on arrived.site = newest.site
    left join (
        select distinct
            {%- for column in key %}
            refused.{{ column }}{{ ',' if not loop.last }}
            {%- endfor %}
        from {{ source('refused', kind) }} as refused
        inner join ({{ newest_arrivals(kind) }}) as newest
            on refused.site = newest.site and refused.batch = newest.batch
    ) as still_sent
        on
            {%- for column in key %}
            {{ 'and ' if not loop.first }}arrived.{{ column }} = still_sent.{{ column }}
            {%- endfor %}
    where
        (
            sites.exports = 'changes'
            or arrived.batch = newest.batch
            or still_sent.site is not null
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
        row_number() over (
            partition by
                {%- for column in key %}
                arrived.{{ column }}{{ ',' if not loop.last }}
                {%- endfor %}
            order by batches.position desc
        ) = 1
{% endmacro %}


{#- The newest batch in which each site sent a kind at all. -#}
{% macro newest_arrivals(kind) %}
        select
            files.site,
            files.batch
        from {{ source('arrivals', 'files') }} as files
        inner join {{ ref('stg_batches') }} as batches
            on files.site = batches.site and files.batch = batches.batch
        where files.kind = '{{ kind }}' and not files.file_refused
        qualify
            row_number() over (partition by files.site order by batches.position desc) = 1
{% endmacro %}
