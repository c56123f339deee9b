"""What sheets for patients tell, counted anew from the tables of `courses` in plain Python."""

from collections import Counter
from math import ceil

import duckdb
import pytest

from ingest.contract import HARMS

Warehouse = duckdb.DuckDBPyConnection
GRADES = ("mild", "moderate", "severe")


def rows(warehouse: Warehouse, query: str) -> list[dict[str, object]]:
    found: list[dict[str, object]] = warehouse.sql(query).pl().to_dicts()
    return found


@pytest.mark.parametrize("grade", GRADES)
def test_how_courses_of_a_grade_ended(demo_warehouse: Warehouse, grade: str) -> None:
    outcomes = Counter(
        row["outcome"]
        for row in rows(
            demo_warehouse,
            "select outcome from courses.responses where rule = 'symptoms' and is_mature "
            f"and symptoms_band = '{grade}'",
        )
    )
    courses = rows(
        demo_warehouse,
        "select sessions, state from courses.courses where is_mature "
        f"and symptoms_band = '{grade}'",
    )
    [row] = rows(demo_warehouse, f"from cohorts.expected_course where grade = '{grade}'")
    assert row["courses"] == len(courses) == sum(outcomes.values())
    for column, outcome, share in (
        ("responders", "responder", "better_share"),
        ("unchanged", "unchanged", "unchanged_share"),
        ("worsened", "worsened", "worsened_share"),
        ("not_measured", "not_measured", "not_measured_share"),
    ):
        assert row[column] == outcomes[outcome]
        assert row[share] == pytest.approx(outcomes[outcome] / len(courses), abs=1e-12)
    assert row["stopped"] == sum(course["state"] == "stopped" for course in courses)
    lengths = sorted(course["sessions"] for course in courses)  # type: ignore[type-var]
    for column, share in (("low", 0.25), ("median", 0.5), ("high", 0.75)):
        assert row[f"sessions_{column}"] == lengths[ceil(share * len(lengths)) - 1]


def test_each_session_is_that_of_response_at_session(demo_warehouse: Warehouse) -> None:
    found = rows(demo_warehouse, "from cohorts.expected_at_session")
    assert {row["grade"] for row in found} <= set(GRADES)
    assert len(found) >= 6
    for row in found:
        [same] = rows(
            demo_warehouse,
            "from cohorts.response_at_session where rule = 'symptoms' and grading = 'symptoms' "
            "and site = 'all' and protocol = 'all' and course_kind = 'all' "
            f"and grade = '{row['grade']}' and session_number = {row['session_number']}",
        )
        assert row["better_share"] == same["response_share"]
        parts = [row[part] for part in ("responding", "unchanged", "worsened", "not_measured")]
        assert sum(parts) == same["begun"]  # type: ignore[arg-type]
        assert row["unchanged"] == same["measured"] - same["responding"] - same["worsened"]  # type: ignore[operator]


@pytest.mark.parametrize("grade", [*GRADES, "all"])
def test_what_was_felt_in_courses(demo_warehouse: Warehouse, grade: str) -> None:
    of_grade = "true" if grade == "all" else f"symptoms_band = '{grade}'"
    mature = {
        row["course_id"]
        for row in rows(
            demo_warehouse, f"select course_id from courses.courses where is_mature and {of_grade}"
        )
    }
    harms = {
        (row["course_id"], row["event"])
        for row in rows(demo_warehouse, "select course_id, event from courses.adverse_events")
        if row["course_id"] in mature
    }
    asked = {
        row["course_id"]
        for row in rows(demo_warehouse, "select course_id from courses.sessions where asked")
        if row["course_id"] in mature
    } | {course for course, _ in harms}
    found = {
        row["event"]: row
        for row in rows(demo_warehouse, f"from cohorts.felt_in_courses where grade = '{grade}'")
    }
    assert set(found) == set(HARMS)
    for event, row in found.items():
        felt = sum(kind == event for _, kind in harms)
        assert (row["courses"], row["asked"], row["felt"]) == (len(mature), len(asked), felt)
        assert row["felt_share"] == pytest.approx(felt / len(asked), abs=1e-12)
        assert row["share_low"] <= row["felt_share"] <= row["share_high"]  # type: ignore[operator]
