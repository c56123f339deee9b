-- Does a device run hotter as time goes on? Session-eyes above the protocol's ceiling, by quarter.
with
heated as (
    select
        session_eyes.site,
        coalesce(session_eyes.device, 'unknown') as device,
        extract(year from session_eyes.session_date) as in_year,
        extract(quarter from session_eyes.session_date) as in_quarter,
        session_eyes.max_temp_c > protocols.ceiling_c as above
    from {{ ref('session_eyes') }} as session_eyes
    inner join {{ ref('stg_protocols') }} as protocols
        on session_eyes.protocol = protocols.protocol
    where session_eyes.max_temp_c is not null
),

counted as (
    select
        site,
        device,
        in_year,
        in_quarter,
        count(*) as session_eyes,
        count(*) filter (where above) as above_ceiling
    from heated
    group by site, device, in_year, in_quarter
)

select
    site,
    device,
    in_year,
    in_quarter,
    session_eyes,
    above_ceiling,
    100e0 * above_ceiling / session_eyes as per_100,
    {{ exact_low('above_ceiling', 'session_eyes') }} * 100e0 as per_100_low, -- noqa: PRS
    {{ exact_high('above_ceiling', 'session_eyes') }} * 100e0 as per_100_high -- noqa: PRS
from counted
order by site, device, in_year, in_quarter
