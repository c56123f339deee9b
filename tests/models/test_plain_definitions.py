"""The courses layer against plain Python, on patients invented to sit on every edge."""

import random
from collections import defaultdict
from collections.abc import Iterator
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import duckdb
import pytest

from models.build import run_dbt
from pipeline.settings import Settings
from tests.models.plain_definitions import (
    RULES,
    Course,
    Patient,
    courses_of,
    improvement,
    intervals_of,
)

SEED = 20_250_708
PATIENTS = 400
CUTOFFS = {"alder": date(2025, 12, 31), "birch": date(2025, 6, 30)}
PLANNED = {"three": 3, "two": 2, "four": 4}
GROUP = Settings.model_validate(
    {
        "site": [{"code": code} for code in CUTOFFS],
        "protocol": [
            {"code": code, "sessions_planned": planned} for code, planned in PLANNED.items()
        ],
    }
)
BATCHES = [
    {"site": site, "batch": "all", "last_day": cutoff, "position": 1}
    for site, cutoff in CUTOFFS.items()
]
STEPS = (0, 7, 14, 14, 21, 60, 119, 120, 121, 179, 180, 181, 364, 365, 366)
OFFSETS = (-91, -90, -89, -30, -1, 0, 0, 0, 1, 7, 13, 14, 15, 58, 59, 60, 61, 62, 119, 120, 121)
MEASURES = {
    "osdi": ("both",),
    "break_up_time": ("right", "left"),
    "gland_secretion": ("right", "left"),
}
VALUES = {
    "osdi": ("12.5", "13", "20.3", "22.9", "23", "27.6", "33", "46.4", "19.6", "5"),
    "break_up_time": ("3", "4.5", "5", "6.5", "8", "9.9", "10", "12"),
    "gland_secretion": ("10", "15", "20", "35", "40", "40.5", "45"),
}
Rows = dict[str, list[dict[str, Any]]]


def invented_rows() -> Rows:
    """Rows of a few hundred patients whose days lie on and beside the definitions' edges."""
    chance = random.Random(SEED)
    rows: Rows = defaultdict(list)
    for number in range(PATIENTS):
        site = chance.choice(list(CUTOFFS))
        whose = {"site": site, "batch": "all", "patient_key": f"p{number:03}"}
        days = treatment_days(chance)
        for place, day in enumerate(days):
            for twice in range(chance.choice((1, 1, 1, 2))):
                returning = place > 0 and (day - days[place - 1]).days >= 179
                purpose = "maintenance" if chance.random() < (0.25, 0.7)[returning] else "course"
                protocol = chance.choice(list(PLANNED))
                for eye in chance.choice((("right",), ("left",), ("right", "left"))):
                    rows["sessions"].append(
                        {
                            **whose,
                            "session_key": f"s{number:03}-{place}-{twice}",
                            "session_date": day,
                            "eye": eye,
                            "purpose": purpose,
                            "protocol": protocol,
                        }
                    )
        rows["patients"].append({**whose, "treated_before": chance.choice((True, False, None))})

        def some_day(offsets: tuple[int, ...] = OFFSETS, days: list[date] = days) -> date:
            return chance.choice(days) + timedelta(chance.choice(offsets))

        for measure, eyes in MEASURES.items():
            for value in range(chance.randrange(14)):
                rows["outcomes"].append(
                    {
                        **whose,
                        "outcome_key": f"{number:03}-{measure}-{value}",
                        "assessed_date": some_day(),
                        "eye": chance.choice(eyes),
                        "measure": measure,
                        "value": Decimal(chance.choice(VALUES[measure])),
                        "timing": chance.choice(
                            ("before_treatment", "after_treatment", "no_treatment", None)
                        ),
                    }
                )
        for visit in range(chance.randrange(4)):
            rows["visits"].append(
                {
                    **whose,
                    "visit_key": f"{number:03}-{visit}",
                    "visit_date": some_day(),
                    "visit_reason": "review",
                    "severity_grade": chance.choice(("mild", "moderate", "severe", None)),
                }
            )
        for day in {some_day((-121, -120, -119, -1, 0, 1)) for _ in range(chance.randrange(3))}:
            rows["plans"].append(
                {
                    **whose,
                    "plan_key": f"{number:03}-{day}",
                    "decided_on": day,
                    "decision": chance.choice(("accepted", "accepted", "declined")),
                    "sessions_planned": chance.choice((None, 1, 2, 3, 5)),
                    "end_reason": chance.choice((None, "cost", "discomfort")),
                }
            )
        for treatment in range(chance.randrange(2)):
            rows["treatments"].append(
                {
                    **whose,
                    "treatment_key": f"{number:03}-{treatment}",
                    "treatment": "surgery",
                    "eye": chance.choice(("right", "left", "both", None)),
                    "started_on": some_day((-1, 0, 1, 59, 60, 61, 120, 121)),
                }
            )
    return rows


def treatment_days(chance: random.Random) -> list[date]:
    days = [date(2023, 6, 1) + timedelta(chance.randrange(900))]
    for _ in range(chance.randrange(7)):
        days.append(days[-1] + timedelta(chance.choice(STEPS)))
    return sorted(set(days))


@pytest.fixture(scope="module")
def rows() -> Rows:
    return invented_rows()


@pytest.fixture(scope="module")
def courses(rows: Rows) -> dict[str, Course]:
    """Courses by id, worked out patient by patient."""
    patients = {
        (row["site"], row["patient_key"]): Patient(CUTOFFS[row["site"]], PLANNED)
        for row in rows["patients"]
    }
    days = ("session_date", "assessed_date", "visit_date", "decided_on", "started_on")
    for kind, some in rows.items():
        for row in some:
            patient = patients[row["site"], row["patient_key"]]
            day = next((row[name] for name in days if name in row), date.min)
            if day <= patient.cutoff:
                patient.rows[kind].append(row)
    return {
        f"{site}/{key}/{course.first}": course
        for (site, key), patient in patients.items()
        for course in courses_of(patient)
    }


@pytest.fixture(scope="module")
def warehouse(make_shared_release: Any, rows: Rows) -> Iterator[duckdb.DuckDBPyConnection]:
    release = make_shared_release(rows, settings=GROUP, batches=BATCHES)
    run_dbt(release, "build", "--select", "staging", "courses", "response_rules", "severity_bands",
            "--exclude-resource-type", "unit_test")  # fmt: skip
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        yield connection


def test_courses(warehouse: duckdb.DuckDBPyConnection, courses: dict[str, Course]) -> None:
    built = warehouse.sql(
        "select course_id, course_number, course_kind, protocol, first_date, last_date, sessions, "
        "sessions_planned, state, end_reason, is_mature, symptoms_band, clinician_grade, "
        "next_maintenance_date, next_course_date from courses.courses"
    ).fetchall()
    assert set(built) == {
        (
            course_id,
            course.number,
            course.kind,
            course.protocol,
            course.first,
            course.last,
            len(course.dates),
            course.planned,
            course.state,
            course.end_reason,
            course.is_mature,
            course.symptoms_band,
            course.clinician_grade,
            course.next_maintenance,
            course.next_course,
        )
        for course_id, course in courses.items()
    }


def test_responses(warehouse: duckdb.DuckDBPyConnection, courses: dict[str, Course]) -> None:
    built = warehouse.sql(
        "select course_id, rule, eye, sessions, outcome, final_days, other_treatment "
        "from courses.responses"
    ).fetchall()
    assert set(built) == {
        (
            course_id,
            rule,
            eye,
            len(course.own_dates(eye)),
            course.outcome(rule, eye),
            final_days(course, rule, eye),
            course.other_treatment(rule, eye),
        )
        for course_id, course in courses.items()
        for rule, eye in rules_and_eyes(course)
    }


def test_session_responses(
    warehouse: duckdb.DuckDBPyConnection, courses: dict[str, Course]
) -> None:
    built = warehouse.sql(
        "select course_id, rule, eye, session_number, improvement, responding, worsened "
        "from courses.session_responses"
    ).fetchall()
    assert set(built) == {
        (course_id, rule, eye, number, *seen_after(course, rule, eye, number))
        for course_id, course in courses.items()
        for rule, eye in rules_and_eyes(course)
        if course.threshold(rule, course.baseline(RULES[rule], eye)) is not None
        for number in range(1, len(course.own_dates(eye)) + 1)
    }


def test_maintenance_intervals(
    warehouse: duckdb.DuckDBPyConnection, courses: dict[str, Course]
) -> None:
    built = warehouse.sql(
        "select course_id, started_on, ended_on, status, judged_status "
        "from courses.maintenance_intervals"
    ).fetchall()
    assert set(built) == {
        (course_id, *interval)
        for course_id, course in courses.items()
        for interval in intervals_of(course)
    }


def test_the_invented_patients_reach_every_outcome(courses: dict[str, Course]) -> None:
    """Else the comparisons above would say little."""
    outcomes = {
        (rule, course.outcome(rule, eye))
        for course in courses.values()
        for rule, eye in rules_and_eyes(course)
    }
    told = ("not_applicable", "not_measured", "responder", "unchanged", "worsened")
    assert outcomes == {(rule, outcome) for rule in RULES for outcome in told}
    assert {course.state for course in courses.values()} == {"completed", "in_progress", "stopped"}
    statuses = {status for course in courses.values() for _, _, status, _ in intervals_of(course)}
    closed, still_open = ("early", "on_time", "late"), ("not_due", "due", "overdue")
    assert statuses == {*closed, *still_open, "new_course"}


def rules_and_eyes(course: Course) -> Iterator[tuple[str, str]]:
    yield "symptoms", "both"
    for eye in course.eyes:
        yield "tear_film", eye
        yield "glands", eye


def final_days(course: Course, rule: str, eye: str) -> int | None:
    final = course.final(RULES[rule], eye)
    return (final[0] - course.last).days if final else None


def seen_after(
    course: Course, rule: str, eye: str, number: int
) -> tuple[Decimal | None, bool, bool]:
    """Improvement after session k, and whether it responds or is worse."""
    baseline = course.baseline(RULES[rule], eye)
    threshold = course.threshold(rule, baseline)
    value = course.after_session(RULES[rule], eye, number)
    assert baseline is not None
    assert threshold is not None
    if value is None:
        return None, False, False
    gain = improvement(RULES[rule], baseline, value)
    return gain, gain >= threshold, gain <= -threshold
