select
    courses.site,
    site_months.month,
    courses.sessions as sessions_given,
    count(*) as courses
from {{ ref('courses') }} as courses
inner join {{ ref('site_months') }} as site_months
    on
        courses.site = site_months.site
        and {{ month_of(known_on('courses.last_date')) }} = site_months.month
where courses.state = 'stopped'
group by courses.site, site_months.month, courses.sessions
