select * from {{ source('accepted', 'visits') }}
