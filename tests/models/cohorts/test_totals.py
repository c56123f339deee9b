"""What the published tables say of one thing, they say alike: totals, tables, clinics."""

from collections.abc import Sequence

import duckdb
import pytest

Warehouse = duckdb.DuckDBPyConnection

GRADED = ["rule", "grading", "grade", "site", "protocol", "course_kind"]
ADDITIVE = {
    "response_by_grade": (
        [*GRADED, "period"],
        "courses patients not_applicable not_measured evaluable responders unchanged worsened",
    ),
    "response_at_session": (
        [*GRADED, "session_number"],
        "begun treated measured responding worsened stopped",
    ),
    "sessions_to_response": (
        [*GRADED, "session_number"],
        "at_risk responded stopped censored",
    ),
    "maintenance_adherence": (
        ["site", "protocol", "grade"],
        "intervals early on_time late overdue due not_due new_course judged",
    ),
    "home_care": (["grade", "site", "protocol", "course_kind"], "courses measured halved"),
    "delivery": (
        ["site", "protocol", "month"],
        "session_eyes in_band_recorded in_minutes_recorded spacing_kept_recorded "
        "over_temperature_recorded expressed stopped_early screened consent_recorded",
    ),
    "safety": (["site", "protocol", "month", "event", "severity"], "sessions asked events serious"),
}
SPANNED = {  # the same for every event and severity, and so added up over neither
    ("safety", "event"): "events serious",
    ("safety", "severity"): "events serious",
    # patients of several courses lie in several grades and protocols
    ("response_by_grade", "grade"): "courses not_applicable not_measured evaluable responders",
    ("response_by_grade", "protocol"): "courses not_applicable not_measured evaluable responders",
}
TOTALLED = [
    (table, column)
    for table, (grain, _) in ADDITIVE.items()
    for column in grain
    if column in ("site", "protocol", "grade", "month", "event", "severity")
]


@pytest.mark.parametrize(("table", "column"), TOTALLED)
def test_parts_add_up_to_all(demo_warehouse: Warehouse, table: str, column: str) -> None:
    grain, counts = ADDITIVE[table]
    counts = SPANNED.get((table, column), counts)
    others = [name for name in grain if name != column]
    of_all = sums(demo_warehouse, table, others, counts.split(), f"{column} = 'all'")
    of_parts = sums(demo_warehouse, table, others, counts.split(), f"{column} <> 'all'")
    assert of_all
    assert {key: of_parts[key] for key in of_all} == of_all


@pytest.mark.parametrize("table", ["response_by_grade", "response_at_session", "home_care"])
def test_first_courses_are_among_all(demo_warehouse: Warehouse, table: str) -> None:
    grain, counts = ADDITIVE[table]
    others = [name for name in grain if name != "course_kind"]
    first = sums(demo_warehouse, table, others, counts.split(), "course_kind = 'first'")
    every = sums(demo_warehouse, table, others, counts.split(), "course_kind = 'all'")
    assert first
    assert all(
        part <= whole
        for key, row in first.items()
        for part, whole in zip(row, every[key], strict=True)
    )


@pytest.mark.parametrize("table", ["response_by_grade", "home_care", "maintenance_adherence"])
def test_totals_are_marked(demo_warehouse: Warehouse, table: str) -> None:
    columns = [
        name for name in ADDITIVE[table][0] if name in ("grade", "site", "protocol", "course_kind")
    ]
    any_all = " or ".join(f"{name} = 'all'" for name in columns)
    assert (
        demo_warehouse.sql(
            f"select * from cohorts.{table} where is_total is distinct from ({any_all})"
        ).fetchall()
        == []
    )


@pytest.mark.parametrize(
    ("claim", "query"),
    [
        (
            "what matured by month is what is mature by grade",
            """
            select site, sum(matured), sum(evaluable), sum(responders)
            from cohorts.month_summary group by site
            except
            select site, courses, evaluable, responders from cohorts.response_by_grade
            where rule = 'symptoms' and grading = 'symptoms' and grade = 'all'
                and protocol = 'all' and course_kind = 'all' and period = 'all'
            """,
        ),
        (
            "courses started are the month's new courses",
            """
            select site, month, started from cohorts.course_funnel
            except
            select site, month, new_courses from cohorts.month_summary
            """,
        ),
        (
            "sessions of the month are those that safety counts",
            """
            select site, month, sessions, sessions_asked from cohorts.month_summary
            where sessions > 0
            except
            select site, month, sessions, asked from cohorts.safety
            where protocol = 'all' and event = 'all' and severity = 'all'
            """,
        ),
        (
            "due and overdue in the last month are those to recall",
            """
            select month_summary.site, sum(due), sum(overdue)
            from cohorts.month_summary
            inner join (select site, max(month) as month from cohorts.month_summary group by site)
                using (site, month)
            group by month_summary.site
            except
            select site, count(*) filter (where status = 'due'),
                count(*) filter (where status = 'overdue')
            from cohorts.recall_due group by site
            """,
        ),
        (
            "every harm is counted",
            """
            select site, count(*) from courses.adverse_events group by site
            except
            select site, events from cohorts.safety
            where protocol = 'all' and month = 'all' and event = 'all' and severity = 'all'
            """,
        ),
        (
            "stopped courses have one reason each",
            """
            select site, month, stopped from cohorts.course_funnel
            except
            select site, month, end_completed + end_improved_enough + end_no_benefit
                + end_adverse_event + end_cost + end_discomfort + end_moved + end_lost_contact
                + end_died + end_other + end_unknown
            from cohorts.course_funnel
            """,
        ),
        (
            "every session number up to the plan has a row",
            """
            select distinct rule, grading, grade, site, protocol, course_kind,
                unnest(range(1, sessions_planned + 1)) as session_number
            from cohorts.response_at_session
            inner join (
                select protocol, sessions_planned from staging.stg_protocols
                union all
                select 'all', min(sessions_planned) from staging.stg_protocols
            ) using (protocol)
            except
            select rule, grading, grade, site, protocol, course_kind, session_number
            from cohorts.response_at_session
            """,
        ),
        (
            "no row lies beyond the plan",
            """
            select protocol, max(session_number) from cohorts.response_at_session group by protocol
            union
            select protocol, max(session_number) from cohorts.sessions_to_response group by protocol
            except
            (
                select protocol, sessions_planned from staging.stg_protocols
                union all
                select 'all', min(sessions_planned) from staging.stg_protocols
            )
            """,
        ),
        (
            "nobody is timed who has not begun",
            """
            select rule, grading, grade, site, protocol, course_kind
            from cohorts.sessions_to_response
            except
            select rule, grading, grade, site, protocol, course_kind
            from cohorts.response_at_session
            """,
        ),
        (
            "incidence never exceeds what Kaplan-Meier gives",
            "select * from cohorts.sessions_to_response where incidence > responded_by + 1e-12",
        ),
    ],
)
def test_tables_agree(demo_warehouse: Warehouse, claim: str, query: str) -> None:
    assert demo_warehouse.sql(query).fetchall() == [], claim


def sums(
    warehouse: Warehouse, table: str, keys: Sequence[str], counts: Sequence[str], where: str
) -> dict[tuple[object, ...], tuple[int, ...]]:
    """Sums of counts by keys over the rows of a table that `where` names; nulls add nothing."""
    rows = warehouse.sql(
        f"select {', '.join(keys)}, {', '.join(f'coalesce(sum({name}), 0)' for name in counts)} "
        f"from cohorts.{table} where {where} group by all"
    ).fetchall()
    return {row[: len(keys)]: row[len(keys) :] for row in rows}
