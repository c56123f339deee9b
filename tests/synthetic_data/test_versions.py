import numpy as np
import polars as pl

from synthetic_data.months import Months, day_number, months_until, on_weekdays
from synthetic_data.versions import (
    NEVER,
    changed_later,
    in_batches,
    two_versions,
    withdrawn_later,
)

MONTHS = months_until("2025-02", 4)


def rng() -> np.random.Generator:
    return np.random.default_rng(3)


def days(*texts: str) -> list[int]:
    return [int(np.datetime64(text, "D").astype(int)) for text in texts]


def test_months_run_over_the_year() -> None:
    assert MONTHS.names == ("2024-11", "2024-12", "2025-01", "2025-02")
    assert [MONTHS.first_day, MONTHS.last_day_of(0), MONTHS.last_day] == days(
        "2024-11-01", "2024-11-30", "2025-02-28"
    )
    found = MONTHS.of(np.array(days("2024-10-31", "2024-11-01", "2025-02-28", "2025-03-01")))
    assert found.tolist() == [-1, 0, 3, 4]


def test_a_late_site_lacks_the_newest_months() -> None:
    assert MONTHS.without_last(3) == Months(("2024-11",), MONTHS.edges[:2])


def test_nobody_comes_at_the_weekend() -> None:
    friday, saturday, sunday, monday = days("2025-01-03", "2025-01-04", "2025-01-05", "2025-01-06")
    moved = on_weekdays(np.array([friday, saturday, sunday, monday]))
    assert moved.tolist() == [friday, friday, monday, monday]
    assert day_number(np.datetime64("2025-01-03").item()) == friday


def test_rows_outside_the_covered_months_are_not_exported() -> None:
    rows = pl.DataFrame({"known": days("2024-10-31", "2024-11-02", "2025-03-01")})
    shown = in_batches(rng(), rows, MONTHS)
    assert shown.rows() == [(0, NEVER)]


def test_late_entries_come_with_the_next_batch() -> None:
    rows = pl.DataFrame({"known": days("2024-11-02", "2025-02-02")})
    assert in_batches(rng(), rows, MONTHS, entered_late=1.0)["since"].to_list() == [1]


def test_a_later_version_takes_over() -> None:
    first = pl.DataFrame(
        {"key": [1, 2, 3], "since": [0, 1, 2], "until": [NEVER] * 3, "told": "old"}
    )
    later = pl.DataFrame({"key": [1, 2], "since": [2, 1], "until": [NEVER] * 2, "told": "new"})
    both = two_versions(first, later, "key").sort("key", "since")
    assert both.select("key", "since", "until", "told").rows() == [
        (1, 0, 2, "old"),
        (1, 2, NEVER, "new"),
        (2, 1, NEVER, "new"),  # both within one batch
        (3, 2, NEVER, "old"),
    ]


def rows_since(*since: int) -> pl.DataFrame:
    return pl.DataFrame(
        {"key": range(len(since)), "value": 1, "since": since, "until": NEVER},
        schema_overrides={"since": pl.Int64, "until": pl.Int64},
    )


def test_corrections_put_right_what_was_wrong() -> None:
    everything, older = changed_later(
        rng(), rows_since(*[0] * 50), MONTHS, 1.0, first=(pl.lit(9).alias("value"),)
    )
    assert 0 < older.height < 50  # some would come after the newest batch
    assert set(older["value"]) == {9}
    newest = everything.filter(pl.col("until") == NEVER)
    assert newest["key"].sort().to_list() == list(range(50))
    assert set(newest["value"]) == {1}
    ends = older.select("key", "until").sort("key")
    begins = newest.filter(pl.col("since") > 0).select("key", until="since").sort("key")
    assert ends.equals(begins)


def test_only_what_may_change_changes() -> None:
    everything, older = changed_later(
        rng(), rows_since(*[0] * 20), MONTHS, 1.0, where=pl.col("key") < 5
    )
    assert older.height > 0
    assert older["key"].max() < 5
    assert changed_later(rng(), rows_since(3, 3), MONTHS, 1.0)[1].is_empty()
    assert changed_later(rng(), everything, MONTHS, 0.0)[1].is_empty()


def test_withdrawn_rows_have_no_newer_version() -> None:
    shown, gone = withdrawn_later(rng(), rows_since(*[1] * 30), MONTHS, 1.0)
    assert shown.height == 30
    assert 0 < gone.height < 30
    assert gone["until"].is_between(2, 3).all()
