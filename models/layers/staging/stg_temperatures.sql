with newest as (
    {{ newest_rows('temperatures', ['session_key', 'eye'], whole=true) }}
)

select
    site,
    batch,
    session_key,
    eye,
    t_s,
    temp_c,
    source_file,
    source_row
from newest
