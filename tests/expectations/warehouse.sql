-- A warehouse of two invented clinics in which everything agrees: alder gave one course of three
-- sessions that is mature and responded, and saw one harm; birch gave one maintenance session.
create schema staging;
create schema courses;
create schema cohorts;
create schema quality;

create table staging.stg_sites as
select *
from (
    values
    ('alder', 'changes', date '2024-12-31'),
    ('birch', 'changes', date '2024-12-31')
) as rows (site, exports, cutoff);

create table staging.stg_protocols as
select *
from (values ('four'), ('three')) as rows (protocol);

create table staging.stg_batches as
select *
from (values ('alder', '2024-01', 1), ('alder', '2024-02', 2), ('birch', '2024-02', 1))
    as rows (site, batch, position);

create table staging.stg_sessions as
select *
from (
    values
    ('alder', repeat('a', 32), 'right', 'pa', date '2024-01-10', 'burn'),
    ('alder', repeat('b', 32), 'right', 'pa', date '2024-01-24', 'none'),
    ('alder', repeat('c', 32), 'right', 'pa', date '2024-02-07', 'none'),
    ('birch', repeat('d', 32), 'left', 'pb', date '2024-02-08', null)
) as rows (site, session_key, eye, patient_key, session_date, adverse_event);

create table staging.stg_adverse_events (
    site varchar, event_key varchar, session_key varchar, onset_date date, event varchar
);

create table courses.sessions as
select
    site,
    patient_key,
    session_date,
    case when site = 'alder' then 'alder/pa/2024-01-10' end as course_id,
    case when site = 'alder' then 'course' else 'maintenance' end as purpose,
    cast(30 as decimal(18, 6)) as chair_minutes,
    adverse_event is not null as asked
from staging.stg_sessions;

create table courses.session_eyes as
select
    site,
    patient_key,
    session_date,
    eye,
    session_key,
    41.5::decimal(18, 6) as plateau_temp_c,
    case site when 'alder' then 'alder/pa/2024-01-10' end as course_id,
    150::decimal(18, 6) as seconds_in_band
from staging.stg_sessions;

create table courses.session_doses as
select
    site,
    session_key,
    eye,
    case eye when 'left' then 42.5 else 40.5 end::decimal(18, 6) as plateau_c
from courses.session_eyes;

create table courses.courses as
select
    'alder/pa/2024-01-10' as course_id,
    'alder' as site,
    'pa' as patient_key,
    date '2024-01-10' as first_date,
    date '2024-02-07' as last_date,
    date '2024-07-06' as next_maintenance_date,
    3 as sessions,
    'moderate' as symptoms_band,
    true as is_mature,
    false as eyes_treated_one_at_a_time;

create table courses.evaluations as
select
    'alder' as site,
    'pa' as patient_key,
    date '2024-04-01' as assessed_date;

create table courses.responses as
select
    'alder/pa/2024-01-10' as course_id,
    'alder' as site,
    'both' as eye,
    54::bigint as final_days,
    'symptoms' as rule,
    true as is_mature,
    cast(40 as decimal(18, 6)) as baseline,
    'responder' as outcome;

create table courses.maintenance_intervals as
select *
from (
    values
    ('alder', 'pa', 'due', cast(null as date)),
    ('alder', 'pe', 'on_time', null),
    ('alder', 'pf', 'on_time', null)
) as rows (site, patient_key, status, left_on);

create table courses.adverse_events as
select
    'alder' as site,
    'pa' as patient_key,
    'aaaaaaaaaaaaaaaa-r' as harm_key,
    date '2024-01-10' as event_date;

create table quality.harms_to_settle (site varchar, harm_key varchar);

create table quality.files as
select *
from (values ('alder', 2), ('birch', 0)) as rows (site, refused);

create table cohorts.response_by_grade as
select
    'symptoms' as rule,
    'symptoms' as grading,
    coalesce(grade, 'all') as grade,
    coalesce(site, 'all') as site,
    coalesce(protocol, 'all') as protocol,
    'all' as course_kind,
    'all' as period,
    1 as courses,
    1 as patients,
    0 as not_applicable,
    0 as not_measured,
    1 as evaluable,
    1 as responders,
    0 as unchanged,
    0 as worsened,
    1.0::double as response_rate,
    0.2::double as rate_low,
    1.0::double as rate_high,
    1.0::double as rate_if_missing_failed,
    1.0::double as rate_if_missing_responded,
    0.0::double as other_treatment
from (values ('moderate', 'alder', 'four')) as rows (grade, site, protocol)
group by cube (grade, site, protocol);

create table cohorts.response_at_session as
select
    'symptoms' as rule,
    'symptoms' as grading,
    coalesce(grade, 'all') as grade,
    coalesce(site, 'all') as site,
    'four' as protocol,
    'all' as course_kind,
    session_number,
    1 as begun,
    case when session_number < 4 then 1 else 0 end as treated,
    case when session_number < 4 then 1 else 0 end as measured,
    case when session_number = 3 then 1 else 0 end as responding,
    0 as worsened,
    case when session_number = 4 then 1 else 0 end as stopped,
    case when session_number = 3 then 1.0 else 0.0 end::double as response_share,
    case when session_number = 3 then 0.2 else 0.0 end::double as share_low,
    case when session_number = 3 then 1.0 else 0.8 end::double as share_high
from (values ('moderate', 'alder', 1), ('moderate', 'alder', 2), ('moderate', 'alder', 3),
    ('moderate', 'alder', 4)) as rows (grade, site, session_number)
group by cube (grade, site), session_number;

create table cohorts.sessions_to_response as
select
    rule,
    grading,
    grade,
    site,
    protocol,
    course_kind,
    session_number,
    case when session_number < 4 then 1 else 0 end as at_risk,
    case when session_number = 3 then 1 else 0 end as responded,
    0 as stopped,
    0 as censored,
    case when session_number < 3 then 1.0 else 0.0 end::double as not_yet,
    null::double as not_yet_low,
    null::double as not_yet_high,
    1.0 - not_yet as responded_by,
    case when session_number < 3 then 0.0 else 1.0 end::double as incidence,
    null::double as incidence_low,
    null::double as incidence_high,
    0.1::double as by_chance
from cohorts.response_at_session;

create table cohorts.maintenance_adherence as
select
    coalesce(site, 'all') as site,
    coalesce(protocol, 'all') as protocol,
    coalesce(grade, 'all') as grade,
    3 as intervals,
    0 as early,
    2 as on_time,
    0 as late,
    0 as overdue,
    1 as due,
    0 as not_due,
    0 as new_course,
    0 as judged,
    null::double as adherence,
    null::double as adherence_low,
    null::double as adherence_high
from (values ('alder', 'four', 'moderate')) as rows (site, protocol, grade)
group by cube (site, protocol, grade);

create table cohorts.maintenance_return as
select
    coalesce(site, 'all') as site,
    coalesce(protocol, 'all') as protocol,
    days,
    3 - place as at_risk,
    1 as returned,
    (1 + place) / 3 as returned_by,
    place / 3 as returned_low,
    1.0::double as returned_high
from (values ('alder', 'four', 200, 0), ('alder', 'four', 300, 1))
    as rows (site, protocol, days, place)
group by cube (site, protocol), days, place;

create table cohorts.durability as
select
    'symptoms' as rule,
    'lost_or_retreated' as estimand,
    'symptoms' as grading,
    coalesce(grade, 'all') as grade,
    coalesce(site, 'all') as site,
    coalesce(protocol, 'all') as protocol,
    days,
    2 - place as at_risk,
    1 as lost,
    0 as censored,
    (1 - place) / 2 as holding,
    case place when 0 then 0.1 end::double as holding_low,
    case place when 0 then 0.9 end::double as holding_high
from (values ('moderate', 'alder', 'four', 150, 0), ('moderate', 'alder', 'four', 250, 1))
    as rows (grade, site, protocol, days, place)
group by cube (grade, site, protocol), days, place;

create table cohorts.course_funnel as
select
    site,
    month,
    started,
    started as completed,
    0 as stopped,
    0 as end_completed,
    0 as end_improved_enough,
    0 as end_no_benefit,
    0 as end_adverse_event,
    0 as end_cost,
    0 as end_discomfort,
    0 as end_moved,
    0 as end_lost_contact,
    0 as end_died,
    0 as end_other,
    0 as end_unknown
from (values ('alder', '2024-01', 1), ('alder', '2024-02', 0), ('birch', '2024-02', 0))
    as rows (site, month, started);

create table cohorts.leaving as
select
    coalesce(site, 'all') as site,
    2 as assessed,
    1 as recommended,
    1 as accepted,
    1 as started,
    1 as completed,
    0 as in_progress,
    0 as stopped,
    0 as not_started_recommended,
    0 as not_started_accepted,
    0 as not_started_declined,
    0 as not_started_deferred,
    0 as not_started_not_suitable,
    0 as not_started_home_care_first,
    1 as not_started_undecided,
    0 as end_completed,
    0 as end_improved_enough,
    0 as end_no_benefit,
    0 as end_adverse_event,
    0 as end_cost,
    0 as end_discomfort,
    0 as end_moved,
    0 as end_lost_contact,
    0 as end_died,
    0 as end_other,
    0 as end_unknown
from (values ('alder')) as rows (site)
group by cube (site);

create table cohorts.waiting_times as
select
    coalesce(site, 'all') as site,
    'accepted_to_first_session' as step,
    count(*) as waits,
    4 as quarter_days,
    7.5::double as median_days,
    11 as three_quarters_days
from (values ('alder')) as rows (site)
group by cube (site);

create table cohorts.safety_by_device as
select
    'alder' as site,
    'dev1' as device,
    2 as sessions,
    1 as asked,
    1 as events,
    0 as serious,
    100.0::double as rate_per_100,
    2.5::double as rate_low,
    557.2::double as rate_high;

create table cohorts.delivery as
select
    coalesce(site, 'all') as site,
    coalesce(protocol, 'all') as protocol,
    coalesce(month, 'all') as month,
    count(*) as session_eyes,
    count(*) as in_band_recorded,
    1.0::double as in_band_share,
    0 as in_minutes_recorded,
    null::double as in_minutes_share,
    0 as spacing_kept_recorded,
    null::double as spacing_kept_share,
    count(*) as over_temperature_recorded,
    0.0::double as over_temperature_share,
    count(*) as expressed,
    0 as stopped_early,
    count(*) as screened,
    count(*) as consent_recorded
from (
    select
        site,
        'four' as protocol,
        left(session_date::varchar, 7) as month
    from courses.session_eyes
)
group by cube (site, protocol, month);

create table cohorts.safety as
select
    coalesce(site, 'all') as site,
    coalesce(protocol, 'all') as protocol,
    coalesce(month, 'all') as month,
    kinds.event,
    kinds.severity,
    count(*) as sessions,
    count(*) filter (where asked) as asked,
    count(*) filter (where harmed) as events,
    0 as serious,
    100.0 * count(*) filter (where harmed) / nullif(count(*) filter (where asked), 0)
        as rate_per_100,
    case when count(*) filter (where asked) > 0 then 0.0 end::double as rate_low,
    case when count(*) filter (where asked) > 0 then 100.0 end::double as rate_high
from (
    select
        site,
        'four' as protocol,
        left(session_date::varchar, 7) as month,
        adverse_event is not null as asked,
        adverse_event = 'burn' as harmed
    from staging.stg_sessions
)
cross join (
    values ('burn', 'unknown'), ('burn', 'all'), ('all', 'unknown'), ('all', 'all')
) as kinds (event, severity)
group by cube (site, protocol, month), kinds.event, kinds.severity;

create table cohorts.month_summary as
select *
from (
    values
    ('alder', '2024-01', 1, 2, 1, 60.0::double, 0, 0, 0, 0, 1, 2, 2),
    ('alder', '2024-02', 0, 1, 1, 30.0::double, 0, 0, 0, 0, 0, 1, 0),
    ('alder', '2024-06', 0, 0, 0, 0.0::double, 0, 1, 1, 1, 0, 0, 0),
    ('birch', '2024-02', 0, 1, 1, 30.0::double, 0, 0, 0, 0, null, 0, 0)
) as rows (
    site, month, new_courses, sessions, treated_patients, chair_minutes, stopped, matured,
    evaluable, responders, harms, sessions_asked, refused_rows
);

create table cohorts.month_outcomes as
select *
from (
    values
    (
        'alder', '2024-06', 'symptoms', 1, 0, 1, 0, 1, 1, 0, 0, 1e0, 1e0, 0, 0, null, null, null,
        null, 'fewer than 10 evaluable in the month'
    ),
    (
        'alder', '2024-06', 'glands', 20, 0, 20, 0, 20, 15, 4, 1, 0.75e0, 1e0, 100, 70, 0.7e0, 0.3e0,
        1e0, false, null
    )
) as rows (
    site, month, rule, courses, not_applicable, applicable, not_measured, evaluable, responders,
    unchanged, worsened, response_rate, capture_rate, before_evaluable, before_responders, before_rate,
    limit_low, limit_high, beyond_limits, reason
);

create table cohorts.broken_off (site varchar, month varchar, sessions_given bigint, courses bigint);

create table cohorts.month_home_care as
select
    'alder' as site,
    '2024-06' as month,
    1 as courses,
    1 as measured,
    1 as halved;

create table cohorts.months_side_by_side as
select
    coalesce(site, 'all') as site,
    '2024-02' as month,
    count(*) as sessions,
    count(*) as asked,
    0 as events,
    0 as new_courses,
    0 as completed,
    0 as stopped,
    count(*) as matured,
    count(*) as evaluable,
    count(*) as responders,
    1e0 as response_rate,
    count(*) as session_eyes,
    count(*) as in_band_recorded,
    1e0 as in_band_share
from (values ('alder'), ('birch')) as rows (site)
group by cube (site);

create table cohorts.recall_due as
select
    'alder' as site,
    'pa' as patient_key;

create table cohorts.home_care as
select
    coalesce(grade, 'all') as grade,
    coalesce(site, 'all') as site,
    coalesce(protocol, 'all') as protocol,
    'all' as course_kind,
    1 as courses,
    1 as measured,
    1 as halved,
    1.0::double as halved_share,
    0.2::double as share_low,
    1.0::double as share_high
from (values ('moderate', 'alder', 'four')) as rows (grade, site, protocol)
group by cube (grade, site, protocol);

create table cohorts.expected_course as
select
    'moderate' as grade,
    1 as courses,
    0 as not_measured,
    1 as evaluable,
    1 as responders,
    0 as unchanged,
    0 as worsened,
    1.0::double as better_share,
    0.0::double as unchanged_share,
    0.0::double as worsened_share,
    0.0::double as not_measured_share,
    1 as stopped,
    1.0::double as stopped_share,
    3 as sessions_low,
    3 as sessions_median,
    3 as sessions_high;

create table cohorts.expected_at_session as
select
    'moderate' as grade,
    1 as session_number,
    1 as begun,
    0 as not_measured,
    1 as measured,
    0 as responding,
    1 as unchanged,
    0 as worsened,
    0.0::double as better_share,
    0.0::double as better_low,
    0.8::double as better_high,
    1.0::double as unchanged_share,
    0.0::double as worsened_share,
    0.0::double as not_measured_share;

create table cohorts.felt_in_courses as
select
    coalesce(grade, 'all') as grade,
    'redness' as event,
    1 as courses,
    1 as asked,
    0 as felt,
    0.0::double as felt_share,
    0.0::double as share_low,
    0.8::double as share_high
from (values ('moderate')) as rows (grade)
group by cube (grade);

create table cohorts.dose_response as
select
    'symptoms' as rule,
    coalesce(site, 'all') as site,
    coalesce(protocol, 'all') as protocol,
    1 as dose_quarter,
    1 as evaluable,
    1 as responders,
    1.0::double as response_rate,
    0.2::double as rate_low,
    1.0::double as rate_high,
    100.0::double as seconds_from,
    200.0::double as seconds_to
from (values ('alder', 'four')) as rows (site, protocol)
group by cube (site, protocol);

-- Two rules: of the one alder's course is all there is, of the other there is enough to compare.
create table cohorts.protocol_comparison as
select *
from (
    values
    (
        'symptoms', 'three', 'four', 0, 0, null, 1.0e0, null, null, null, null, null, null,
        0.0e0, false, 'fewer than 10 evaluable with one of the two', null, null
    ),
    (
        'glands', 'three', 'four', 40, 30, 0.7e0, 0.5e0, 0.75e0, 0.5e0, 0.25e0, -0.05e0, 0.55e0,
        0.2e0, 0.9e0, true, null, 0.1e0, 0.1e0
    )
) as rows (
    rule, protocol, reference_protocol, courses, evaluable, crude_rate, reference_crude_rate,
    standardised_rate, reference_standardised_rate, difference, difference_low, difference_high,
    mh_difference, share_in_overlap, comparable, reason, p_value, p_adjusted
);

create table cohorts.band_homogeneity as
select *
from (
    values
    (
        'symptoms', 'three', 'four', 0, null, null, false,
        'fewer than two severity bands can be compared', null, null
    ),
    ('glands', 'three', 'four', 3, 2.4e0, 2, true, null, 0.3e0, 0.3e0)
) as rows (
    rule, protocol, reference_protocol, bands, statistic, degrees_of_freedom, comparable, reason,
    p_value, p_adjusted
);

create table cohorts.site_comparison as
select *
from (
    values
    ('symptoms', 'alder', 1, null, null, null, null, null, null, null, null, 1.0e0),
    ('glands', 'alder', 30, 20, 16e0, 1.25e0, 0.7e0, 1.3e0, 0.5e0, 1.5e0, 1.2e0, 0.8e0),
    ('glands', 'birch', 0, null, null, null, null, null, null, null, 1.2e0, 0.0e0)
) as rows (
    rule, site, evaluable, observed, expected, ratio, low_95, high_95, low_998, high_998,
    overdispersion, capture_rate
);

create table cohorts.follow_up_completeness as
select
    coalesce(site, 'all') as site,
    coalesce(protocol, 'all') as protocol,
    1 as courses,
    1 as seen,
    54 as observed_days,
    328 as potential_days,
    54 / 328 as completeness
from (values ('alder', 'four')) as rows (site, protocol)
group by cube (site, protocol);
