-- Within one patient, did the eye that was longer in band fare better? Glands of both eyes of a
-- course, so that whatever is the patient's own cancels out.
with
heat as (
    select
        course_id,
        eye,
        sum(seconds_in_band) as seconds
    from {{ ref('session_eyes') }}
    where course_id is not null and purpose = 'course' and seconds_in_band is not null
    group by course_id, eye
),

eyes as (
    select
        heat.course_id,
        heat.eye,
        heat.seconds,
        responses.improvement
    from heat
    inner join {{ ref('responses') }} as responses
        on
            heat.course_id = responses.course_id
            and heat.eye = responses.eye
            and responses.rule = 'glands'
    where responses.improvement is not null
),

pairs as (
    select
        sign(right_eye.seconds - left_eye.seconds) as heat,
        sign(right_eye.improvement - left_eye.improvement) as gain
    from eyes as right_eye
    inner join eyes as left_eye
        on
            right_eye.course_id = left_eye.course_id
            and right_eye.eye = 'right'
            and left_eye.eye = 'left'
),

counted as (
    select
        count(*) as pairs,
        count(*) filter (where heat * gain > 0) as more_heat_better,
        count(*) filter (where heat * gain < 0) as more_heat_worse
    from pairs
)

select
    pairs,
    more_heat_better,
    more_heat_worse,
    pairs - more_heat_better - more_heat_worse as tied,
    cast(more_heat_better as double)
    / nullif(more_heat_better + more_heat_worse, 0) as better_share,
    {{ wilson_low('more_heat_better', '(more_heat_better + more_heat_worse)') }} as share_low,
    {{ wilson_high('more_heat_better', '(more_heat_better + more_heat_worse)') }} as share_high
from counted
