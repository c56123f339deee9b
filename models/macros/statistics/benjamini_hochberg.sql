{#- Benjamini and Hochberg's adjusted p-values: rejecting what is at most q keeps the expected share
    of false rejections at q.

        adjusted p(i) = the least of p(j) m / j over j >= i, p(1) <= ... <= p(m)

    relation   any rows
    p_value    its column of p-values; rows where it is null are not counted among the m
    groups     optional: columns within which to adjust; all rows together

    All rows and columns of the relation, and p_adjusted (null where p_value is). Ties share one
    value. Assumes p-values independent or positively dependent.
    Source: Benjamini Y, Hochberg Y, J R Stat Soc B 1995;57:289-300. -#}
{% macro benjamini_hochberg(relation, p_value, groups=[]) %}
    {%- set within = 'partition by ' ~ groups | join(', ') if groups else '' %}
    with
    bh_ranked as (
        select
            *,
            count({{ p_value }}) over ({{ within }}) as bh_tests,
            count({{ p_value }}) over (
                {{ within }} order by {{ p_value }} nulls last
                range between unbounded preceding and current row
            ) as bh_rank
        from {{ relation }}
    )

    select
        bh_ranked.*,
        case
            when {{ p_value }} is not null
                then least(
                    1e0,
                    min({{ p_value }} * bh_tests / bh_rank) over (
                        {{ within }} order by {{ p_value }} nulls last
                        range between current row and unbounded following
                    )
                )
        end as p_adjusted
    from bh_ranked
{% endmacro %}
