"""Declarations on what may be right but deserves a look before anybody trusts it."""

from expectations.declaration import Declaration, none_in
from expectations.report import Severity
from expectations.thresholds import COURSES_JUDGED_FOR_EYES, ONE_EYE_SHARE_WARNED

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
)
