-- The grades to which the symptoms rule applies; its counts are those of response_at_session.
select
    grade,
    session_number,
    begun,
    begun - measured as not_measured,
    measured,
    responding,
    measured - responding - worsened as unchanged,
    worsened,
    response_share as better_share,
    share_low as better_low,
    share_high as better_high,
    cast(measured - responding - worsened as double) / begun as unchanged_share,
    cast(worsened as double) / begun as worsened_share,
    cast(begun - measured as double) / begun as not_measured_share
from {{ ref('response_at_session') }}
where
    rule = 'symptoms'
    and grading = 'symptoms'
    and grade in ('mild', 'moderate', 'severe')
    and site = 'all'
    and protocol = 'all'
    and course_kind = 'all'
