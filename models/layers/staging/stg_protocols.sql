select
    protocol,
    label,
    position,
    sessions_planned,
    spacing_low_days,
    spacing_high_days,
    band_low_c,
    band_high_c,
    ceiling_c,
    minutes_low,
    minutes_high,
    maintenance_low_days,
    maintenance_high_days,
    price
from {{ source('settings', 'protocols') }}
