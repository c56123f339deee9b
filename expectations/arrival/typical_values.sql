-- One row per site, batch and quantity measured in a unit: its mean, beside the usual mean.
-- Of an outcome only each patient's first values count: they don't fall as treatment works.
with

first_outcomes as (
    select
        site,
        batch,
        measure as quantity,
        value
    from outcomes
    qualify
        assessed_date = min(assessed_date) over (partition by site, patient_key, measure)
),

session_values as (
    select
        site,
        batch,
        quantity,
        value
    from (
        select
            site,
            batch,
            plateau_temp_c,
            max_temp_c,
            minutes,
            chair_minutes
        from sessions
    ) as recorded
    unpivot (
        value for quantity in (plateau_temp_c, max_temp_c, minutes, chair_minutes)
    )
),

means as (
    select
        site,
        batch,
        quantity,
        count(*) as recorded,
        avg(value) as mean,
        var_samp(cast(value as double)) as variance
    from (
        select * from first_outcomes
        union all
        select * from session_values
    ) as recorded
    group by site, batch, quantity
),

with_usual as (
    select
        means.*,
        max(batches.position) over (partition by means.site) - batches.position as batches_since,
        earlier(means.mean, (means.site, means.quantity), batches.position) as earlier_batches,
        usual(means.mean, (means.site, means.quantity), batches.position) as usual_mean
    from means
    inner join batches on means.site = batches.site and means.batch = batches.batch
)

select
    site || '/' || batch || '/' || quantity as key,
    quantity,
    batches_since,
    recorded,
    mean,
    earlier_batches,
    usual_mean,
    mean / nullif(usual_mean, 0) as times_usual_mean,
    abs(mean - usual_mean) / sqrt(greatest(variance, 1e-6) / recorded) as standard_errors_off
from with_usual
order by key
