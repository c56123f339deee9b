"""A column's different values are worked out once each, and rows come out as they went in."""

import random

import polars as pl
import pytest

from ingest import tables
from ingest.tables import Table

COUNT = 200
ROWS = pl.DataFrame(
    {
        "source_row": range(COUNT),
        "id": [f"P{n}" for n in range(COUNT)],
        "day": [f"0{n % 7}.01.2026" for n in range(COUNT)],
        "eye": [("rechts", "links", None, "")[n % 4] for n in range(COUNT)],
        "twice": [f"S{n // 2}" for n in range(COUNT)],
    }
)
LENGTH = pl.col("day").str.len_chars().alias("length")


@pytest.fixture(params=["frame", "arrow"])
def table(request, monkeypatch):
    """The rows, long enough that what repeats is looked for."""
    monkeypatch.setattr(tables, "FEW_ROWS", 10)
    arrow = ROWS.to_arrow().combine_chunks().to_batches()[0]
    return Table.of(ROWS if request.param == "frame" else arrow)


def test_rows_come_out_as_they_went_in(table):
    assert table.frame().equals(ROWS)
    assert table.names == ROWS.columns
    assert table.frame(["eye", "id"]).equals(ROWS.select("eye", "id"))
    assert table.head(7).frame().equals(ROWS.head(7))
    assert table.column("eye").equals(ROWS["eye"])


def test_each_different_value_is_held_once(table):
    assert table.values("day").len() == 7
    assert table.values("eye").to_list() == ["rechts", "links", None, ""]
    assert table.values("twice").len() == COUNT / 2


def test_a_column_of_which_most_rows_differ_is_held_by_rows(table):
    assert table.values("id").equals(ROWS["id"])


def test_few_rows_are_held_as_they_are():
    assert Table.of(ROWS).values("day").equals(ROWS["day"])


def test_a_value_is_worked_out_once(table):
    seen = []

    def note(values: pl.Series) -> pl.Series:
        seen.extend(values)
        return values.str.to_uppercase()

    shouted = pl.col("eye").map_batches(note, return_dtype=pl.String).alias("shouted")
    worked_out = table.worked_out([[shouted]], ["shouted"])
    assert sorted(seen, key=str) == ["", None, "links", "rechts"]
    assert worked_out.column("shouted").equals(ROWS["eye"].str.to_uppercase().alias("shouted"))


def test_steps_build_on_one_another_within_and_across_columns(table):
    steps = [
        [LENGTH, pl.col("eye").fill_null("both").alias("which"), pl.lit(3).alias("constant")],
        [(pl.col("length") + pl.col("constant")).alias("sum"), pl.col("which").str.head(1)],
        [pl.format("{}/{}", "id", "sum").alias("told")],
    ]
    kept = ["told", "which", "source_row"]
    expected = ROWS
    for step in steps:
        expected = expected.with_columns(step)
    assert table.worked_out(steps, kept).frame().equals(expected.select(kept))


def test_a_column_may_take_the_place_of_another(table):
    day = [pl.col("day").str.head(2)]
    assert table.worked_out([day], table.names).frame().equals(ROWS.with_columns(day))


def test_looks_see_every_value_and_no_other(table):
    is_right = pl.col("eye").eq("rechts").any()
    assert table.looked_at([is_right, LENGTH.max()]) == {"eye": True, "length": 10}
    others = table.filter(ROWS["eye"].ne_missing("rechts"))
    assert others.looked_at([is_right]) == {"eye": False}
    assert others.frame().equals(ROWS.filter(pl.col("eye").ne_missing("rechts")))


def test_what_repeats_makes_no_difference(monkeypatch):
    chosen = random.Random(7)
    step = [pl.col("text").str.strip_chars().replace("", None).alias("cleaned")]
    for different in (1, 30, 299, 1000):
        texts = [chosen.choice(["", " "]) + str(chosen.randrange(different)) for _ in range(600)]
        rows = pl.DataFrame({"text": texts})
        plain = Table.of(rows).worked_out([step], ["cleaned"]).frame()
        with monkeypatch.context() as patched:
            patched.setattr(tables, "FEW_ROWS", 10)
            assert Table.of(rows).worked_out([step], ["cleaned"]).frame().equals(plain)
