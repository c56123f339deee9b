with
counted as (
    select
        site,
        protocol,
        symptoms_band as grade,
        patient_key,
        1 as intervals,
        {%- for status in interval_statuses() %}
        case when status = '{{ status }}' then 1 else 0 end as {{ status }},
        {%- endfor %}
        case when judged then 1 else 0 end as judged,
        case when judged_status = 'on_time' then 1 else 0 end as returned_on_time
    from {{ ref('maintenance_intervals') }}
),

totals as (
    {{ clustered_totals(
        'counted',
        keys=[],
        dimensions=['protocol', 'grade'],
        counts=['intervals'] + interval_statuses() + ['judged', 'returned_on_time'],
        events='returned_on_time',
        of='judged',
    ) }}
),

shares as (
    select
        *,
        cast(returned_on_time as double) / nullif(judged, 0) as adherence
    from totals
)

select
    site,
    protocol,
    grade,
    {{ is_total(['site', 'protocol', 'grade']) }} as is_total,
    intervals,
    {%- for status in interval_statuses() %}
    {{ status }},
    {%- endfor %}
    judged,
    adherence,
    {{ share_low('adherence') }} as adherence_low,
    {{ share_high('adherence') }} as adherence_high
from shares
