"""`lidcohort compare`: the figures that moved, by how much, and the files behind it."""

import csv
import json

import duckdb
import polars as pl
import pytest

from models.docs import BY_DEFINITION, grains
from pipeline.comparing import _causes, moved_figures

GRAIN = ["site", "month", "sessions_given"]


def broken_off(*rows):
    schema = {
        "site": pl.String,
        "month": pl.String,
        "sessions_given": pl.Int64,
        "courses": pl.Int64,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


@pytest.fixture
def pair(root, stages, lidcohort):
    """Two releases, each with a cohort table; the second was made of another export."""
    made = []
    for digest, rows in (
        ("0" * 64, [("alder", "2025-05", 1, 4), ("alder", "2025-06", 1, 2)]),
        ("1" * 64, [("alder", "2025-05", 1, 5), ("alder", "2025-06", 2, 1)]),
    ):
        stages.digest = digest
        assert lidcohort("run", "--quiet") == 0
        release = (root / "current").resolve()
        with duckdb.connect(str(release / "warehouse.duckdb")) as connection:
            connection.register("rows", broken_off(*rows))
            connection.sql("create table cohorts.broken_off as from rows")
        made.append(release)
    return made


def test_a_figure_that_moved_is_told_with_its_change():
    before = broken_off(("alder", "2025-05", 1, 4), ("birch", "2025-05", 1, 3))
    after = broken_off(("alder", "2025-05", 1, 6), ("birch", "2025-05", 1, 3))
    [row] = moved_figures("broken_off", before, after, GRAIN).rows()
    place = "site=alder, month=2025-05, sessions_given=1"
    assert row == ("broken_off", place, "courses", 4, 6, 2)


def test_what_is_as_it_was_did_not_move():
    rows = broken_off(("alder", "2025-05", 1, 4), ("alder", "2025-06", 1, None))
    assert moved_figures("broken_off", rows, rows[::-1], GRAIN).is_empty()
    shares = pl.DataFrame({"site": ["alder"], "share": [0.5]})
    nearly = shares.with_columns(pl.col("share") + 1e-12)
    assert moved_figures("x", shares, nearly, ["site"]).is_empty()


def test_a_row_that_came_or_went_is_told_against_nothing():
    before = broken_off(("alder", "2025-05", 1, 4))
    after = broken_off(("alder", "2025-06", 1, 2))
    rows = moved_figures("broken_off", before, after, GRAIN)
    assert rows.select("before", "after", "change").rows() == [(4, None, None), (None, 2, None)]


def test_totals_come_first():
    rows = pl.DataFrame({"site": ["alder", "all"], "n": [1, 5]})
    moved = moved_figures("x", rows, rows.with_columns(pl.col("n") + 1), ["site"])
    assert moved["place"].to_list() == ["site=all", "site=alder"]


def test_files_settings_and_program_are_told_as_causes():
    unit = {"site": "alder", "batch": "2025-05", "kind": "visits", "digest": "a"}
    other = {**unit, "batch": "2025-06"}
    told = {"units": [unit], "as_of": "2025-05-31", "settings": {}, "code": "c"}
    assert _causes(told, told) == []
    later = {"units": [{**unit, "digest": "b"}, other], "as_of": "2025-06-30", "settings": {"a": 1},
             "code": "d"}  # fmt: skip
    assert _causes(told, later) == [
        "new: alder/2025-06/visits",
        "read otherwise: alder/2025-05/visits",
        "as of 2025-06-30 instead of 2025-05-31",
        "group.toml",
        "another version of the program",
    ]
    assert _causes(later, told)[0] == "gone: alder/2025-06/visits"


def test_the_command_compares_with_the_release_before(pair, lidcohort, capsys, tmp_path):
    capsys.readouterr()
    assert lidcohort("compare", "--out", str(tmp_path / "moved.csv")) == 0
    lines = capsys.readouterr().out.splitlines()
    before, after = pair
    assert lines[:2] == [
        f"From {before.name} to {after.name} 3 figures moved, in 1 tables.",
        "  broken_off: 3",
    ]
    assert any(
        "site=alder, month=2025-05, sessions_given=1): 4 -> 5 (+1)" in line for line in lines
    )
    assert "Not compared, as only one of the two has them so: safety" in lines
    assert "  read otherwise: alder/2025-06/visits" in lines
    rows = list(csv.reader((tmp_path / "moved.csv").read_text("utf-8-sig").splitlines()))
    assert rows[0] == ["table", "place", "figure", "before", "after", "change"]
    assert len(rows) == 4


def test_named_releases_are_compared_in_that_order(pair, lidcohort, capsys):
    before, after = pair
    capsys.readouterr()
    assert lidcohort("compare", after.name, before.name, "--json") == 0
    answer = json.loads(capsys.readouterr().out)
    assert (answer["before"], answer["after"], answer["moved"]) == (after.name, before.name, 3)
    assert lidcohort("compare", after.name, after.name) == 0
    assert "Nothing that went in differs." in capsys.readouterr().out


def test_what_comes_of_definitions_is_compared_too(pair, lidcohort, capsys):
    table, _ = BY_DEFINITION
    place = ", ".join(f"'all' as {column}" for column in grains()[table])
    for release, rate in zip(pair, (0.5, 0.75), strict=True):
        with duckdb.connect(str(release / "warehouse.duckdb")) as connection:
            connection.sql("create schema defined")
            connection.sql(f"create table defined.{table} as select {place}, {rate} as share")
    capsys.readouterr()
    assert lidcohort("compare") == 0
    said = capsys.readouterr().out
    assert f"  {table}.share (cohort=all, rule=all," in said
    assert "0.5 -> 0.75 (+0.25)" in said


def test_without_two_releases_there_is_nothing_to_compare(root, stages, lidcohort, capsys):
    assert lidcohort("compare") == 2
    assert "Nothing has been published yet." in capsys.readouterr().err
    lidcohort("run")
    capsys.readouterr()
    assert lidcohort("compare") == 2
    assert "is the oldest release that is kept" in capsys.readouterr().err
    assert lidcohort("compare", "2020-01-01-0badc0de") == 2
    assert "is no release that is kept. Kept are 2025-06-30-" in capsys.readouterr().err


def test_every_figures_grain_is_its_models(demo_warehouse):
    published = {table: grain for table, grain in grains().items() if table not in BY_DEFINITION}
    for table, grain in published.items():
        columns = demo_warehouse.sql(f"from cohorts.{table} limit 0").columns
        assert {*grain} <= {*columns}, table
