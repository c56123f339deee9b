"""The whole job on two clinics that were worked out on paper: README.md beside this file."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest
from statsmodels.stats.proportion import proportion_confint

from pipeline.cli import main

HERE = Path(__file__).parent
LEVELS = "rule = 'symptoms' and grading = 'symptoms' and course_kind = 'all'"


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("worked") / "two_trees"
    with pytest.raises(SystemExit) as ended:
        main(["--quiet", "new", str(root)])
    assert ended.value.code == 0
    shutil.rmtree(root / "exports")
    shutil.copytree(HERE / "exports", root / "exports")
    shutil.copy(HERE / "group.toml", root / "group.toml")
    with pytest.raises(SystemExit) as ended:
        main(["--quiet", "run", "--workspace", str(root)])
    assert ended.value.code == 0
    return root


@pytest.fixture(scope="module")
def warehouse(workspace: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect(str(workspace / "current/warehouse.duckdb"), read_only=True) as connection:
        yield connection


def rows(warehouse: duckdb.DuckDBPyConnection, query: str) -> list[tuple[Any, ...]]:
    return warehouse.sql(query).fetchall()


COUNTS = "courses, not_applicable, not_measured, evaluable, responders, unchanged, worsened"


@pytest.mark.parametrize(
    ("grade", "expected"),
    [
        ("normal", (1, 1, 0, 0, 0, 0, 0)),
        ("mild", (4, 0, 1, 3, 2, 1, 0)),
        ("moderate", (6, 0, 1, 5, 3, 1, 1)),
        ("severe", (7, 0, 1, 6, 4, 2, 0)),
        ("unknown", (4, 0, 4, 0, 0, 0, 0)),
        ("all", (22, 1, 7, 14, 9, 4, 1)),
    ],
)
def test_alder_by_grade(
    warehouse: duckdb.DuckDBPyConnection, grade: str, expected: tuple[int, ...]
) -> None:
    assert rows(
        warehouse,
        f"select {COUNTS} from cohorts.response_by_grade where {LEVELS} and period = 'all' "
        f"and site = 'alder' and protocol = 'all' and grade = '{grade}'",
    ) == [expected]


@pytest.mark.parametrize(
    ("site", "expected"),
    [("birch", (13, 1, 3, 9, 5, 3, 1)), ("all", (35, 2, 10, 23, 14, 7, 2))],
)
def test_birch_and_both(
    warehouse: duckdb.DuckDBPyConnection, site: str, expected: tuple[int, ...]
) -> None:
    assert rows(
        warehouse,
        f"select {COUNTS} from cohorts.response_by_grade where {LEVELS} and period = 'all' "
        f"and site = '{site}' and protocol = 'all' and grade = 'all'",
    ) == [expected]


def test_alder_rates(warehouse: duckdb.DuckDBPyConnection) -> None:
    [found] = rows(
        warehouse,
        "select response_rate, rate_low, rate_high, rate_if_missing_failed, "
        "rate_if_missing_responded, mean_improvement, median_improvement "
        f"from cohorts.response_by_grade where {LEVELS} and period = 'all' "
        "and site = 'alder' and protocol = 'all' and grade = 'all'",
    )
    low, high = proportion_confint(9, 14, method="wilson")  # statsmodels 0.14
    assert found == pytest.approx((9 / 14, low, high, 9 / 21, 16 / 21, 124.2 / 14, 10), abs=1e-12)


def test_a_repeat_course_is_counted_apart(warehouse: duckdb.DuckDBPyConnection) -> None:
    assert rows(
        warehouse,
        "select courses from cohorts.response_by_grade where rule = 'symptoms' "
        "and grading = 'symptoms' and course_kind = 'first' and period = 'all' "
        "and site = 'alder' and protocol = 'all' and grade = 'all'",
    ) == [(21,)]


def test_eyes_and_their_limits(warehouse: duckdb.DuckDBPyConnection) -> None:
    [found] = rows(
        warehouse,
        f"select {COUNTS}, rate_low, rate_high from cohorts.response_by_grade "
        "where rule = 'tear_film' and grading = 'symptoms' and course_kind = 'all' "
        "and period = 'all' and site = 'alder' and protocol = 'all' and grade = 'all'",
    )
    assert found[:7] == (43, 1, 37, 5, 3, 1, 1)
    effective = 5 * 0.06 / 0.0624
    limits = proportion_confint(0.6 * effective, effective, method="wilson")  # statsmodels 0.14
    assert found[7:] == pytest.approx(limits, abs=1e-9)


def test_birch_by_session(warehouse: duckdb.DuckDBPyConnection) -> None:
    found = rows(
        warehouse,
        "select begun, treated, measured, responding, worsened, stopped, response_share "
        f"from cohorts.response_at_session where {LEVELS} and site = 'birch' "
        "and protocol = 'three_weekly' and grade = 'all' order by session_number",
    )
    assert [row[:6] for row in found] == [
        (11, 11, 3, 2, 0, 0),
        (11, 10, 3, 1, 0, 1),
        (11, 10, 9, 5, 1, 1),
    ]
    assert [row[6] for row in found] == pytest.approx([2 / 11, 1 / 11, 5 / 11])


def test_birch_first_response(warehouse: duckdb.DuckDBPyConnection) -> None:
    found = rows(
        warehouse,
        "select at_risk, responded, stopped, censored, not_yet "
        f"from cohorts.sessions_to_response where {LEVELS} and site = 'birch' "
        "and protocol = 'three_weekly' and grade = 'all' order by session_number",
    )
    assert [row[:4] for row in found] == [(10, 1, 1, 0), (8, 0, 0, 0), (8, 4, 0, 4)]
    assert [row[4] for row in found] == pytest.approx([0.9, 0.9, 0.45])


def test_alder_maintenance(warehouse: duckdb.DuckDBPyConnection) -> None:
    assert rows(
        warehouse,
        "select intervals, early, on_time, late, overdue, due, not_due, new_course, judged, "
        "adherence from cohorts.maintenance_adherence "
        "where site = 'alder' and protocol = 'all' and grade = 'all'",
    ) == [(27, 1, 3, 1, 1, 17, 4, 0, 5, 0.4)]


def test_alder_recall(warehouse: duckdb.DuckDBPyConnection) -> None:
    assert rows(
        warehouse,
        "select count(*), count(*) filter (where on_list), "
        "count(*) filter (where status = 'overdue') from cohorts.recall_due where site = 'alder'",
    ) == [(18, 16, 1)]


def test_birch_february(warehouse: duckdb.DuckDBPyConnection) -> None:
    assert rows(
        warehouse,
        "select new_courses, sessions, treated_patients, chair_minutes, completed, harms, "
        "sessions_asked from cohorts.month_summary "
        "where site = 'birch' and cast(month as varchar) like '2026-02%'",
    ) == [(13, 37, 13, 1110, 12, 1, 36)]
    assert rows(
        warehouse,
        "select stopped, matured, evaluable, responders from cohorts.month_summary "
        "where site = 'birch' and cast(month as varchar) like '2026-06%'",
    ) == [(1, 13, 9, 5)]


def test_birch_delivery(warehouse: duckdb.DuckDBPyConnection) -> None:
    [found] = rows(
        warehouse,
        "select session_eyes, in_band_recorded, in_band_share, in_minutes_share, "
        "spacing_kept_recorded, spacing_kept_share, over_temperature_share "
        "from cohorts.delivery where site = 'birch' and protocol = 'three_weekly' "
        "and cast(month as varchar) like '2026-02%'",
    )
    assert found == pytest.approx((74, 72, 70 / 72, 1, 48, 1, 1 / 74))


def test_harms_to_settle(warehouse: duckdb.DuckDBPyConnection) -> None:
    assert rows(
        warehouse,
        "select site, event, why from quality.harms_to_settle where not settled order by all",
    ) == [
        ("alder", "burn", "refused"),
        ("alder", "redness", "lowered"),
        ("birch", "redness", "withdrawn"),
    ]


def test_how_files_were_read_is_told(warehouse: duckdb.DuckDBPyConnection) -> None:
    assert rows(warehouse, "select distinct read_as from quality.files") == [
        ("CSV, UTF-8, commas",)
    ]


def test_rows_are_conserved(warehouse: duckdb.DuckDBPyConnection) -> None:
    assert rows(
        warehouse,
        "select batch, kind, rows_read, accepted, refused, exact_repeats from quality.files "
        "where site = 'alder' and refused > 0 order by all",
    ) == [
        ("2026-03", "sessions", 173, 172, 1, 0),
        ("2026-05", "outcomes", 26, 21, 4, 1),
        ("2026-07", "visits", 3, 2, 1, 0),
    ]
