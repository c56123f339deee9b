"""Declarations on what may be right but deserves a look before anybody trusts it."""

from expectations.declaration import Declaration, none_in
from expectations.report import Severity
from expectations.thresholds import (
    COURSES_JUDGED_FOR_EYES,
    ONE_EYE_SHARE_WARNED,
    PLATEAUS_APART_WARNED_C,
)

DECLARATIONS = (
    Declaration(
        "eyes_treated_together",
        "No clinic habitually treats a course's two eyes on different days.",
        "A clinic habitually treats a course's two eyes on different days.",
        "Such a course counts as completed too early, since each day is a session: read that "
        "clinic's completed courses with care.",
        Severity.WARN,
        "courses.courses",
        none_in(
            f"""
            select site as key, count(*) filter (where eyes_treated_one_at_a_time) as courses
            from {{batch}}
            group by site
            having
                courses >= {COURSES_JUDGED_FOR_EYES}
                and courses > {ONE_EYE_SHARE_WARNED} * count(*)
            """
        ),
        rows_at_least=0,  # a site may give maintenance sessions only
    ),
    Declaration(
        "logs_agree_with_plateaus",
        f"No temperature log's plateau differs by more than {PLATEAUS_APART_WARNED_C} C from the "
        "plateau temperature recorded for its session and eye.",
        f"A temperature log's plateau differs by more than {PLATEAUS_APART_WARNED_C} C from the "
        "plateau temperature recorded for its session and eye.",
        "A log's plateau is its mean over time from two minutes after its start on. Ask the clinic "
        "which of the two is wrong: the log may belong to another session or the other eye, or its "
        "sensor may read wrongly.",
        Severity.WARN,
        "courses.session_doses",
        none_in(
            f"""
            select
                doses.site || '/' || doses.session_key || '/' || doses.eye as key,
                cast(doses.plateau_c as decimal(18, 1)) as logged,
                cast(eyes.plateau_temp_c as decimal(18, 1)) as recorded
            from {{batch}} as doses
            inner join courses.session_eyes as eyes using (site, session_key, eye)
            where abs(doses.plateau_c - eyes.plateau_temp_c) > {PLATEAUS_APART_WARNED_C}
            """
        ),
        rows_at_least=0,  # perhaps no clinic keeps logs
    ),
)
