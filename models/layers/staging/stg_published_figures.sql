select
    figures.site,
    figures.month,
    figures.last_day,
    figures.figure,
    figures.value,
    releases.release
from {{ source('published', 'month_figures') }} as figures
cross join {{ source('published', 'releases') }} as releases
