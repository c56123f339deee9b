"""Months beside the twelve before, worked out again from the courses in plain Python and scipy."""

from collections import defaultdict
from datetime import timedelta
from typing import Any

import duckdb
import numpy as np
import pytest
from scipy import stats

from pipeline.settings import Numbers

KNOWN_AFTER = timedelta(days=Numbers().course_gap_days + 1)
MEASURED = ("responder", "unchanged", "worsened")
TAIL = 0.001
FEWEST = 10

Place = tuple[str, str, str]


def rows_of(warehouse: duckdb.DuckDBPyConnection, query: str) -> list[dict[str, Any]]:
    return warehouse.sql(query).pl().to_dicts()


@pytest.fixture
def months(demo_warehouse: duckdb.DuckDBPyConnection) -> dict[Place, dict[str, Any]]:
    found = rows_of(demo_warehouse, "select * from cohorts.month_outcomes")
    return {(row["site"], row["rule"], row["month"]): row for row in found}


@pytest.fixture
def outcomes(demo_warehouse: duckdb.DuckDBPyConnection) -> dict[Place, list[str]]:
    """Outcomes of the courses, or eyes, that became mature in a month."""
    by_month = defaultdict(list)
    for row in rows_of(
        demo_warehouse,
        "select responses.*, last_date from courses.responses inner join courses.courses "
        "using (course_id) where responses.is_mature",
    ):
        month = (row["last_date"] + KNOWN_AFTER).isoformat()[:7]
        by_month[row["site"], row["rule"], month].append(row["outcome"])
    return by_month


def year_before(month: str) -> list[str]:
    year, number = map(int, month.split("-"))
    last = 12 * year + number - 1
    return [f"{place // 12}-{place % 12 + 1:02d}" for place in range(last - 12, last)]


def counted(outcomes: list[str]) -> tuple[int, int, int]:
    """To how many the rule applies, how many were measured, and how many responded."""
    return (
        sum(outcome != "not_applicable" for outcome in outcomes),
        sum(outcome in MEASURED for outcome in outcomes),
        outcomes.count("responder"),
    )


def test_a_month_and_its_year_hold_their_own_courses(
    months: dict[Place, dict[str, Any]], outcomes: dict[Place, list[str]]
) -> None:
    assert outcomes.keys() <= months.keys()
    for (site, rule, month), row in months.items():
        before = [one for m in year_before(month) for one in outcomes.get((site, rule, m), [])]
        assert counted(outcomes.get((site, rule, month), [])) == (
            row["applicable"],
            row["evaluable"],
            row["responders"],
        )
        _, evaluable, responders = counted(before)
        assert (evaluable, responders) == (row["before_evaluable"], row["before_responders"])


def within(row: dict[str, Any]) -> np.ndarray:
    """Shares that Fisher's exact test, on either side, does not set apart from the year before."""
    counts = np.arange(row["evaluable"] + 1)
    both = row["before_evaluable"] + row["evaluable"]
    draw = stats.hypergeom(both, row["before_responders"] + counts, row["evaluable"])
    kept = counts[(draw.cdf(counts) > TAIL) & (draw.sf(counts - 1) > TAIL)]
    return kept / row["evaluable"]


def test_limits_are_those_of_fishers_exact_test_and_no_narrower_for_eyes(
    months: dict[Place, dict[str, Any]],
) -> None:
    for row in months.values():
        if row["evaluable"] == 0 or row["before_evaluable"] == 0:
            assert (row["limit_low"], row["limit_high"]) == (None, None)
            continue
        shares = within(row)
        # The model rounds to 12 places.
        if row["unit"] == "course":
            assert row["limit_low"] == pytest.approx(shares[0], abs=1e-11)
            assert row["limit_high"] == pytest.approx(shares[-1], abs=1e-11)
        else:
            assert row["limit_low"] <= shares[0] + 1e-11
            assert row["limit_high"] >= shares[-1] - 1e-11


def test_a_month_is_judged_from_ten_measured_and_sixty_in_a_hundred_on(
    months: dict[Place, dict[str, Any]], outcomes: dict[Place, list[str]]
) -> None:
    for (site, rule, month), row in months.items():
        before = [one for m in year_before(month) for one in outcomes.get((site, rule, m), [])]
        applicable_before, _, _ = counted(before)
        may_be = (
            min(row["evaluable"], row["before_evaluable"]) >= FEWEST
            and row["evaluable"] >= 0.6 * row["applicable"]
            and row["before_evaluable"] >= 0.6 * applicable_before
        )
        assert (row["beyond_limits"] is not None) == may_be
        assert (row["reason"] is None) == may_be
        if may_be:
            low, rate, high = row["limit_low"], row["response_rate"], row["limit_high"]
            assert row["beyond_limits"] == (not low - 1e-9 <= rate <= high + 1e-9)
