"""Declarations on what must not get lost between the accepted rows and the published tables."""

from pathlib import Path

from great_expectations.expectations.expectation import Expectation

from expectations.built.rules import same_count_at
from expectations.declaration import REPORT_THIS, Declaration, none_in
from expectations.report import Severity

FOLDER = Path(__file__).parent
ALL_HARMS = "protocol = 'all' and month = 'all' and event = 'all' and severity = 'all'"

SESSIONS = same_count_at(
    {
        "in_courses": "select site as key, count(*) as counted from {batch} group by site",
        "in_staging": """
            select site as key, count(distinct (patient_key, session_date)) as counted
            from staging.stg_sessions
            group by site
            """,
        "in_month_summary": """
            select site as key, sum(sessions) as counted from cohorts.month_summary group by site
            """,
        "in_safety": f"""
            select site as key, sessions as counted
            from cohorts.safety
            where site <> 'all' and {ALL_HARMS}
            """,
    }
)

SESSION_EYES = same_count_at(
    {
        "in_courses": "select site as key, count(*) as counted from {batch} group by site",
        "in_staging": """
            select site as key, count(distinct (patient_key, session_date, eye)) as counted
            from staging.stg_sessions
            group by site
            """,
        "in_delivery": """
            select site as key, session_eyes as counted
            from cohorts.delivery
            where site <> 'all' and protocol = 'all' and month = 'all'
            """,
    }
)

SESSIONS_OF_MONTHS = same_count_at(
    {
        "in_courses": """
            select site || '/' || left(cast(session_date as varchar), 7) as key, count(*) as counted
            from {batch}
            group by 1
            """,
        "in_month_summary": """
            select site || '/' || month as key, sessions as counted from cohorts.month_summary
            """,
    }
)

CHAIR_MINUTES_OF_MONTHS = same_count_at(
    {
        "in_courses": """
            select
                site || '/' || left(cast(session_date as varchar), 7) as key,
                chair_minutes as counted
            from {batch}
            """,
        "in_month_summary": """
            select
                site || '/' || month as key,
                cast(chair_minutes as decimal(18, 6)) as counted
            from cohorts.month_summary
            """,
    }
)

COURSES = same_count_at(
    {
        "in_courses": "select site as key, count(*) as counted from {batch} group by site",
        "in_sessions": """
            select site as key, count(distinct course_id) as counted
            from courses.sessions
            group by site
            """,
        "in_course_funnel": """
            select site as key, sum(started) as counted from cohorts.course_funnel group by site
            """,
        "in_month_summary": """
            select site as key, sum(new_courses) as counted
            from cohorts.month_summary
            group by site
            """,
    }
)

SESSIONS_OF_COURSES = same_count_at(
    {
        "told": "select course_id as key, sessions as counted from {batch}",
        "found": """
            select course_id as key, count(*) as counted
            from courses.sessions
            where course_id is not null
            group by course_id
            """,
    }
)

MATURE_COURSES = same_count_at(
    {
        "in_courses": """
            select site as key, count(*) as counted from {batch} where is_mature group by site
            """,
        "in_responses": """
            select site as key, count(*) as counted
            from courses.responses
            where rule = 'symptoms' and is_mature
            group by site
            """,
        "in_response_by_grade": """
            select site as key, courses as counted
            from cohorts.response_by_grade
            where
                rule = 'symptoms' and grading = 'symptoms' and grade = 'all' and site <> 'all'
                and protocol = 'all' and course_kind = 'all' and period = 'all'
            """,
        "in_month_summary": """
            select site as key, sum(matured) as counted from cohorts.month_summary group by site
            """,
        "in_month_outcomes": """
            select site as key, sum(courses) as counted
            from cohorts.month_outcomes
            where rule = 'symptoms'
            group by site
            """,
    }
)

BROKEN_OFF = same_count_at(
    {
        "in_month_summary": """
            select site || '/' || month as key, stopped as counted from {batch} where stopped > 0
            """,
        "in_broken_off": """
            select site || '/' || month as key, sum(courses) as counted
            from cohorts.broken_off
            group by 1
            """,
    }
)

HARMS = same_count_at(
    {
        "in_courses": "select site as key, count(*) as counted from {batch} group by site",
        "in_safety": f"""
            select site as key, events as counted
            from cohorts.safety
            where site <> 'all' and {ALL_HARMS}
            """,
        "in_month_summary": """
            select site as key, sum(harms) as counted from cohorts.month_summary group by site
            """,
    }
)

RECALLS = same_count_at(
    {
        "in_courses": """
            select site as key, count(*) as counted
            from {batch}
            where status in ('due', 'overdue')
            group by site
            """,
        "in_recall_due": """
            select site as key, count(*) as counted from cohorts.recall_due group by site
            """,
        "in_adherence": """
            select site as key, due + overdue as counted
            from cohorts.maintenance_adherence
            where site <> 'all' and protocol = 'all' and grade = 'all'
            """,
    }
)

RETURNS = same_count_at(
    {
        "in_courses": """
            select site as key, count(*) as counted
            from {batch}
            where left_on is null and status in ('early', 'on_time', 'late')
            group by site
            """,
        "in_maintenance_return": """
            select site as key, sum(returned) as counted
            from cohorts.maintenance_return
            where site <> 'all' and protocol = 'all'
            group by site
            """,
    }
)

REFUSED_ROWS = same_count_at(
    {
        "in_quality": "select site as key, sum(refused) as counted from {batch} group by site",
        "in_month_summary": """
            select site as key, sum(refused_rows) as counted
            from cohorts.month_summary
            group by site
            """,
    }
)

# Each published table whose rows come from these inputs.
FILLED_FROM = {
    "response_by_grade": "courses.courses where is_mature",
    "response_at_session": "courses.responses where is_mature and baseline is not null "
    "and outcome <> 'not_applicable'",
    "sessions_to_response": "courses.responses where is_mature and baseline is not null "
    "and outcome <> 'not_applicable'",
    "maintenance_adherence": "courses.maintenance_intervals",
    "course_funnel": "courses.courses",
    "delivery": "courses.session_eyes",
    "safety": "courses.sessions",
    "safety_by_device": "courses.sessions",
    "recall_due": "courses.maintenance_intervals where status in ('due', 'overdue')",
    "month_summary": "courses.sessions",
    "month_outcomes": "courses.sessions",
    "month_home_care": "courses.sessions",
    "home_care": "courses.courses where is_mature",
    "expected_course": "courses.courses where is_mature "
    "and symptoms_band in ('mild', 'moderate', 'severe')",
    "expected_at_session": "courses.responses where is_mature and rule = 'symptoms' "
    "and baseline is not null and outcome <> 'not_applicable'",
    "felt_in_courses": "courses.courses where is_mature",
    "protocol_comparison": "staging.stg_protocols offset 1",  # there is a second one
    "band_homogeneity": "cohorts.protocol_comparison",
    "site_comparison": "courses.responses where is_mature",
    "follow_up_completeness": "courses.courses where is_mature",
    # A retreatment after the final evaluation is an event; so is nothing else for certain.
    "durability": "courses.responses as gained inner join courses.courses as course "
    "using (course_id) where gained.is_mature and gained.outcome = 'responder' "
    "and course.next_maintenance_date > course.last_date + cast(gained.final_days as integer)",
    "dose_response": "courses.responses as judged inner join courses.session_eyes as treated "
    "using (course_id) where judged.is_mature "
    "and judged.outcome in ('responder', 'unchanged', 'worsened') "
    "and judged.eye in ('both', treated.eye) and treated.seconds_in_band is not null",
}

PUBLISHED_TABLES = none_in(
    " union all ".join(
        f"select 'cohorts.{table}' as key from (select count(*) from {{batch}}) "
        f"where exists (select 1 from {inputs}) and not exists (select 1 from cohorts.{table})"
        for table, inputs in FILLED_FROM.items()
    )
)

DATED = {
    "courses.sessions": "session_date",
    "courses.courses": "last_date",
    "courses.evaluations": "assessed_date",
    "courses.adverse_events": "event_date",
}

DATES = none_in(
    " union all ".join(
        f"select '{table}/' || dated.site || '/' || dated.patient_key as key, "
        f"cast(dated.{column} as varchar) as day "
        f"from {{batch}} as sites inner join {table} as dated using (site) "
        f"where dated.{column} > sites.cutoff"
        for table, column in DATED.items()
    )
)


def declarations(inputs: Path) -> tuple[Declaration, ...]:
    """The conservation declarations of a release with these inputs."""
    return (
        _declare(
            "accepted_sessions_kept",
            "Each accepted session and eye up to the site's cutoff is in the warehouse, unless a "
            "full export no longer holds it.",
            "Accepted sessions are missing in the warehouse.",
            "staging.stg_sites",
            _over_inputs("accepted_sessions_kept", inputs),
        ),
        _declare(
            "harms_kept",
            "Each harm that any accepted or refused row told of is among the adverse events, or "
            "listed as one to settle.",
            "Harms that a row told of are neither among the adverse events nor listed to settle.",
            "staging.stg_sites",
            _over_inputs("harms_kept", inputs),
        ),
        _declare(
            "sessions_conserved",
            "Each site has as many sessions in staging, courses, month_summary and safety.",
            "Sites' sessions differ between staging, courses, month_summary and safety.",
            "courses.sessions",
            SESSIONS,
        ),
        _declare(
            "session_eyes_conserved",
            "Each site has as many session-eyes in staging, courses and delivery.",
            "Sites' session-eyes differ between staging, courses and delivery.",
            "courses.session_eyes",
            SESSION_EYES,
        ),
        _declare(
            "months_hold_their_sessions",
            "month_summary has each month's sessions.",
            "Months' sessions in month_summary differ from those in courses.",
            "courses.sessions",
            SESSIONS_OF_MONTHS,
        ),
        _declare(
            "months_hold_their_chair_minutes",
            "month_summary has each month's minutes in the chair.",
            "Months' minutes in the chair in month_summary differ from those in courses.",
            "courses.sessions",
            CHAIR_MINUTES_OF_MONTHS,
        ),
        _declare(
            "courses_conserved",
            "Each site has as many courses in courses, course_funnel and month_summary.",
            "Sites' courses differ between courses, course_funnel and month_summary.",
            "courses.courses",
            COURSES,
            rows_at_least=0,  # a site may give maintenance sessions only
        ),
        _declare(
            "courses_hold_their_sessions",
            "Each course counts the sessions that belong to it.",
            "Courses count other sessions than belong to them.",
            "courses.courses",
            SESSIONS_OF_COURSES,
            rows_at_least=0,
        ),
        _declare(
            "mature_courses_conserved",
            "Each site has as many mature courses in courses, responses, response_by_grade, "
            "month_summary and month_outcomes.",
            "Sites' mature courses differ between courses, responses, response_by_grade, "
            "month_summary and month_outcomes.",
            "courses.courses",
            MATURE_COURSES,
            rows_at_least=0,
        ),
        _declare(
            "broken_off_conserved",
            "Each month has as many courses broken off in month_summary and broken_off.",
            "Months' courses broken off differ between month_summary and broken_off.",
            "cohorts.month_summary",
            BROKEN_OFF,
        ),
        _declare(
            "harms_conserved",
            "Each site has as many harms in courses, safety and month_summary.",
            "Sites' harms differ between courses, safety and month_summary.",
            "courses.adverse_events",
            HARMS,
            rows_at_least=0,  # perhaps nobody was harmed
        ),
        _declare(
            "recalls_conserved",
            "Each site has as many patients due or overdue in courses, recall_due and "
            "maintenance_adherence.",
            "Sites' patients due or overdue differ between courses, recall_due and "
            "maintenance_adherence.",
            "courses.maintenance_intervals",
            RECALLS,
            rows_at_least=0,  # perhaps no course was completed yet
        ),
        _declare(
            "returns_conserved",
            "Each site has as many returns for maintenance in courses as in maintenance_return.",
            "Sites' returns for maintenance differ between courses and maintenance_return.",
            "courses.maintenance_intervals",
            RETURNS,
            rows_at_least=0,
        ),
        _declare(
            "refused_rows_conserved",
            "Each site has as many refused rows in quality.files and month_summary.",
            "Sites' refused rows differ between quality.files and month_summary.",
            "quality.files",
            REFUSED_ROWS,
        ),
        _declare(
            "published_tables_filled",
            "No published table is empty whose inputs are not.",
            "Published tables are empty although their inputs are not.",
            "courses.sessions",
            PUBLISHED_TABLES,
        ),
        _declare(
            "dates_within_cutoff",
            "Nothing in the warehouse is dated after its site's cutoff.",
            "Rows in the warehouse are dated after their site's cutoff.",
            "staging.stg_sites",
            DATES,
        ),
    )


def _declare(
    slug: str,
    description: str,
    finding: str,
    table: str,
    expectation: Expectation,
    rows_at_least: int = 1,
) -> Declaration:
    return Declaration(
        slug, description, finding, REPORT_THIS, Severity.STOP, table, expectation, rows_at_least
    )


def _over_inputs(name: str, inputs: Path) -> Expectation:
    """A query of this folder over staging.stg_sites and, as `:inputs`, the release's inputs."""
    query = (FOLDER / f"{name}.sql").read_text(encoding="utf-8")
    folder = str(inputs)
    for sign, escaped in (("'", "''"), (":", r"\:"), ("{", "{{"), ("}", "}}")):
        folder = folder.replace(sign, escaped)
    return none_in(query.replace("staging.stg_sites", "{batch}").replace(":inputs", folder))
