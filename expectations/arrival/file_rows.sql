-- One row per site, batch, kind and file: the rows read, and where each of them went.
with

stored as (
    from stored_rows('visits')
    union all
    from stored_rows('sessions')
    union all
    from stored_rows('outcomes')
    union all
    from stored_rows('patients')
    union all
    from stored_rows('plans')
    union all
    from stored_rows('treatments')
    union all
    from stored_rows('adverse_events')
    union all
    from stored_rows('temperatures')
)

select
    files.site || '/' || files.batch || '/' || files.kind || '/' || files.file as key,
    files.rows_read,
    files.accepted,
    files.refused,
    files.exact_repeats,
    files.forgotten,
    coalesce(stored.accepted, 0) as stored_accepted,
    coalesce(stored.refused, 0) as stored_refused,
    files.file_refused,
    files.file_reason
from files
left join stored
    on
        files.site = stored.site
        and files.batch = stored.batch
        and files.kind = stored.kind
        and files.file = stored.file
order by key
