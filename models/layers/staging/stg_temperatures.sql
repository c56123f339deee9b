with logs as (
    {{ newest_rows('temperatures', ['session_key', 'eye'], whole=true) }}
)

select
    samples.site,
    samples.batch,
    samples.session_key,
    samples.eye,
    samples.t_s,
    samples.temp_c,
    samples.begins_log,
    samples.next_after_s,
    samples.next_temp_c,
    samples.source_file,
    samples.source_row
from {{ source('accepted', 'temperatures') }} as samples
inner join logs
    on
        samples.site = logs.site
        and samples.batch = logs.batch
        and samples.session_key = logs.session_key
        and samples.eye = logs.eye
