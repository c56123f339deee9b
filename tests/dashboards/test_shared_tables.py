"""What leaves a clinic as Parquet: hidden counts, and what an attacker can make of the rest."""

from itertools import groupby, product
from pathlib import Path
from types import ModuleType
from typing import Any, TypeAlias

import duckdb
import numpy as np
import polars as pl
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from dashboards.shared_tables import BROKEN_DOWN_AT_MOST, NOT_SHARED, SHAPES, SharedTables
from pipeline.workspace import Release

BELOW = 11
Place: TypeAlias = tuple[int | str, str]  # a row, by its number or name, and a column
Equation: TypeAlias = list[tuple[Place, int]]  # places with signs, which add up to nothing
MODELS = Path(__file__).parents[2] / "models" / "layers" / "cohorts"


def shared(release: Release, name: str) -> pl.DataFrame:
    return pl.read_parquet(release.tables / f"{name}.parquet")


def full(release: Release, name: str) -> pl.DataFrame:
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        return connection.sql(f"select * from cohorts.{name}").pl()


def test_each_cohort_table_is_shared_or_said_not_to_be() -> None:
    models = {path.stem for path in MODELS.glob("*.sql")}
    assert models == SHAPES.keys() | NOT_SHARED.keys()
    assert SHAPES.keys().isdisjoint(NOT_SHARED)


@pytest.mark.parametrize("name", sorted(SHAPES))
def test_a_shape_names_the_tables_own_columns(invented: ModuleType, name: str) -> None:
    columns = invented.contracts()[name]
    shape = SHAPES[name]
    grain = {*shape.breakdowns, *shape.apart}
    assert grain | {*shape.numbers} <= columns.keys()
    left = columns.keys() - grain - {*shape.numbers} - {"is_total", "by_chance"}
    assert not left, f"{left} would leave the clinic unlooked at"


def test_what_is_not_shared_has_no_file(release: Release) -> None:
    files = {path.stem for path in release.tables.glob("*.parquet")}
    assert files == SHAPES.keys()


@pytest.mark.parametrize("name", sorted(SHAPES))
def test_no_small_count_is_shown(release: Release, name: str) -> None:
    table = shared(release, name)
    for column in SHAPES[name].counts:
        assert table.filter(pl.col(column).is_between(1, BELOW - 1)).is_empty(), column


@pytest.mark.parametrize("name", sorted(SHAPES))
def test_a_row_that_hides_nothing_is_as_in_the_warehouse(release: Release, name: str) -> None:
    table, whole = shared(release, name), full(release, name)
    assert table.columns == [*whole.columns, "hidden"]
    untouched = table.filter(~pl.col("hidden")).drop("hidden")
    assert untouched.join(whole, on=whole.columns, how="anti", nulls_equal=True).is_empty()


def test_zero_and_large_counts_are_shown(release: Release) -> None:
    table = shared(release, "safety")
    assert not table.filter(pl.col("events") == 0).is_empty()
    assert not table.filter(pl.col("events") >= BELOW).is_empty()
    assert not table.filter(pl.col("events").is_null() & pl.col("hidden")).is_empty()


def test_a_rate_is_hidden_with_the_counts_it_is_made_of(release: Release) -> None:
    table = shared(release, "response_by_grade")
    given = table.filter(pl.col("response_rate").is_not_null())
    assert not given.is_empty()
    assert given.filter(pl.col("responders").is_null() | pl.col("evaluable").is_null()).is_empty()


def test_a_share_without_its_own_count_is_hidden_when_that_count_is_small(
    release: Release,
) -> None:
    table = shared(release, "response_by_grade")
    given = table.filter(pl.col("other_treatment") > 0).with_columns(
        count=(pl.col("other_treatment") * pl.col("evaluable")).round()
    )
    assert not given.is_empty()
    assert given.filter(pl.col("count") < BELOW).is_empty()


def test_a_curve_is_hidden_from_its_first_hidden_count_on(release: Release) -> None:
    table = shared(release, "sessions_to_response")
    grain = ["rule", "grading", "grade", "site", "protocol", "course_kind"]
    curves = table.sort(*grain, "session_number").partition_by(grain, maintain_order=True)
    hides = [
        [row["not_yet"] is None for row in curve.to_dicts()]
        for curve in curves
        if curve["not_yet"].null_count()
    ]
    assert hides
    assert all(flags == sorted(flags) for flags in hides)


@pytest.mark.parametrize("name", sorted(SHAPES))
def test_rows_are_totals_or_broken_down_by_one_thing(release: Release, name: str) -> None:
    shape = SHAPES[name]
    finest = shared(release, name).select(
        pl.sum_horizontal((pl.col(c) != "all").cast(pl.Int64) for c in shape.breakdowns).max()
    )
    assert (finest.item() or 0) <= BROKEN_DOWN_AT_MOST


def test_equal_counts_of_two_tables_are_hidden_together() -> None:
    """Mature courses stand in response_by_grade and in follow_up_completeness."""
    grades = {
        **{"rule": "symptoms", "unit": "course", "grading": "symptoms", "grade": "all"},
        **{"protocol": "all", "course_kind": "all", "period": "all", "is_total": True},
        **dict.fromkeys(SHAPES["response_by_grade"].numbers, None),
    }
    sites = {"a": 30, "b": 40, "c": 5}
    by_grade = [grades | {"site": site, "courses": n} for site, n in {**sites, "all": 75}.items()]
    seen = [
        dict.fromkeys(SHAPES["follow_up_completeness"].numbers, None)
        | {"site": site, "protocol": "all", "courses": n}
        for site, n in sites.items()
    ]
    tables = SharedTables(
        {"response_by_grade": pl.DataFrame(by_grade), "follow_up_completeness": pl.DataFrame(seen)},
        BELOW,
    )
    for name in ("response_by_grade", "follow_up_completeness"):
        hidden = {row["site"] for row in tables.find(name) if not isinstance(row["courses"], int)}
        assert hidden == {"a", "c"}


def solved_for(sums: list[Equation], shown: dict[Place, int | None], every: int = 1) -> list[Place]:
    """The hidden counts, or each so manieth, that can have one value only (SciPy's HiGHS)."""
    hidden = {place: i for i, place in enumerate(p for p, n in shown.items() if n is None)}
    matrix, known = np.zeros((len(sums), len(hidden))), np.zeros(len(sums))
    for number, members in enumerate(sums):
        for place, sign in members:
            if place in hidden:
                matrix[number, hidden[place]] += sign
            else:
                known[number] -= sign * (shown[place] or 0)
    found = []
    for place in list(hidden)[::every]:
        aim = np.zeros(len(hidden))
        aim[hidden[place]] = 1
        low, high = (
            milp(
                sign * aim,
                constraints=LinearConstraint(matrix, known, known),
                bounds=Bounds(1, 10**4),
                integrality=np.ones(len(hidden)),
            ).fun
            for sign in (1, -1)
        )
        if round(low) >= round(-high):
            found.append(place)
    return found


def test_a_count_that_can_be_solved_for_is_found() -> None:
    whole = [(("all", "n"), -1), (("a", "n"), 1), (("b", "n"), 1)]
    shown: dict[Place, int | None] = {("all", "n"): 30, ("a", "n"): None, ("b", "n"): 20}
    assert solved_for([whole], shown) == [("a", "n")]
    assert solved_for([whole], shown | {("b", "n"): None}) == []


def equations(rows: list[dict[str, Any]], columns: list[str]) -> list[Equation]:
    """Sums that anyone sees in response_by_grade: of categories, and over each breakdown."""
    found: list[Equation] = []
    for i, _ in enumerate(rows):
        for whole, parts in (
            ("courses", ("not_applicable", "not_measured", "evaluable")),
            ("evaluable", ("responders", "unchanged", "worsened")),
        ):
            found.append([((i, whole), -1), *(((i, part), 1) for part in parts)])
    dimensions = ("grade", "site", "protocol")
    for dimension in dimensions:
        others = ["grading", *(d for d in dimensions if d != dimension)]
        order = sorted(range(len(rows)), key=lambda i: [rows[i][d] for d in others])
        for _, family in groupby(order, key=lambda i: [rows[i][d] for d in others]):
            members = list(family)
            totals = [i for i in members if rows[i][dimension] == "all"]
            parts = [i for i in members if rows[i][dimension] != "all"]
            if totals and parts:
                found += [
                    [((totals[0], column), -1), *(((i, column), 1) for i in parts)]
                    for column in columns
                ]
    first: dict[tuple[str, str], int] = {}
    for i, row in enumerate(rows):  # a total over grades is one number, whatever the grading
        if row["grade"] == "all":
            same = first.setdefault((row["site"], row["protocol"]), i)
            found += [[((same, column), -1), ((i, column), 1)] for column in columns if same != i]
    return found


def test_no_count_of_the_shared_response_table_can_be_solved_for(release: Release) -> None:
    """By integer programming over all sums, written down anew for this test."""
    columns = [
        *("courses", "not_applicable", "not_measured", "evaluable"),
        *("responders", "unchanged", "worsened"),
    ]
    place = {"rule": "symptoms", "course_kind": "all", "period": "all"}
    rows = shared(release, "response_by_grade").filter(**place).to_dicts()
    truth = full(release, "response_by_grade")
    sums = [
        known
        for known in equations(rows, columns)
        if sum(sign * _true(truth, rows[i], column) for (i, column), sign in known) == 0
    ]
    shown = {(i, column): row[column] for i, row in enumerate(rows) for column in columns}
    assert sum(count is None for count in shown.values()) > 40
    assert solved_for(sums, shown, every=4) == []


def test_no_count_of_those_who_leave_can_be_solved_for(release: Release) -> None:
    """By integer programming over the sums of a row and over the clinics, written down anew."""
    rows = {row["site"]: row for row in shared(release, "leaving").to_dicts()}
    sites = [site for site in rows if site != "all"]
    counts = [column for column in rows["all"] if column not in ("site", "hidden")]
    waiting = [column for column in counts if column.startswith("not_started_")]
    ends = [column for column in counts if column.startswith("end_")]
    parts = {
        "assessed": ["started", *waiting],
        "started": ["completed", "in_progress", "stopped"],
        "stopped": ends,
    }
    sums: list[Equation] = [
        [((site, whole), -1), *(((site, part), 1) for part in parts[whole])]
        for site, whole in product(rows, parts)
    ]
    sums += [[(("all", count), -1), *(((s, count), 1) for s in sites)] for count in counts]
    shown = {(site, count): rows[site][count] for site, count in product(rows, counts)}
    assert sum(count is None for count in shown.values()) > 5
    assert solved_for(sums, shown) == []


def _true(table: pl.DataFrame, row: dict[str, Any], column: str) -> int:
    grain = [*SHAPES["response_by_grade"].breakdowns, "rule", "grading"]
    value: int = table.filter(**{name: row[name] for name in grain})[column].item()
    return value


@pytest.mark.parametrize(("in_all", "told"), [(55, False), (61, True), (50, True)])
def test_a_month_gives_no_small_rest_of_a_clinics_other_months_back(
    in_all: int, told: bool
) -> None:
    """50 of 55 sessions in the latest month would tell of 5 in the months before."""
    safety = pl.DataFrame(
        [
            {
                **{"site": "alder", "protocol": "all", "month": "all", "event": "all"},
                **{"severity": "all", "sessions": in_all, "asked": 0, "events": 0, "serious": 0},
                **{"rate_per_100": None, "rate_low": None, "rate_high": None},
            }
        ]
    )
    nothing = dict.fromkeys(SHAPES["months_side_by_side"].counts, 0)
    month = {"site": "alder", "month": "2026-04", "is_total": False, **nothing, "sessions": 50}
    side_by_side = pl.DataFrame([{**month, "response_rate": None, "in_band_share": None}])
    shared = SharedTables({"safety": safety, "months_side_by_side": side_by_side}, BELOW)
    [over_all], [this_month] = shared.find("safety"), shared.find("months_side_by_side")
    assert ((over_all["sessions"], this_month["sessions"]) == (in_all, 50)) == told
