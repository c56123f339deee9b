-- Who is missing from the rates? Mature courses without a final value, by what they began as.
with
counted as (
    select
        symptoms_band,
        least(sessions, 4) as sessions_up_to_4,
        count(*) as courses,
        count(*) filter (where outcome = 'not_measured') as not_measured
    from {{ ref('responses') }}
    where rule = 'symptoms' and is_mature and outcome <> 'not_applicable'
    group by 1, 2
)

select
    symptoms_band,
    sessions_up_to_4,
    courses,
    not_measured,
    cast(not_measured as double) / courses as not_measured_share,
    {{ wilson_low('not_measured', 'courses') }} as share_low,
    {{ wilson_high('not_measured', 'courses') }} as share_high
from counted
order by symptoms_band, sessions_up_to_4
