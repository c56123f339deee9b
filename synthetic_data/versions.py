"""When each row is exported: batches, late entries, corrections and withdrawals.

Rows carry `since`, the position of the first batch that shows them, and `until`, that of the
first batch that no longer does (a newer version took over, or the row was withdrawn). An export
of changes shows a row in `since` alone, a full one in every batch from `since` to before `until`.
"""

import numpy as np
import polars as pl

from synthetic_data.months import FOREVER, Months
from synthetic_data.randomness import happens

NEVER = FOREVER


def in_batches(
    rng: np.random.Generator, rows: pl.DataFrame, months: Months, entered_late: float = 0.0
) -> pl.DataFrame:
    """The rows that the covered months' batches show; `known` gives way to since and until."""
    late = happens(rng, entered_late, rows.height)
    since = months.of(rows["known"].to_numpy()) + late
    return (
        rows.drop("known")
        .with_columns(since=pl.Series(since), until=pl.lit(NEVER, dtype=pl.Int64))
        .filter(pl.col("since").is_between(0, len(months) - 1))
    )


def two_versions(first: pl.DataFrame, later: pl.DataFrame, key: str) -> pl.DataFrame:
    """Rows as first known and as known later; a change within one batch shows only the later."""
    replaced = later.select(key, replaced="since")
    kept = (
        first.join(replaced, on=key, how="left", maintain_order="left")
        .with_columns(until=pl.coalesce("replaced", "until"))
        .filter(pl.col("since") < pl.col("until"))
        .drop("replaced")
    )
    return pl.concat([kept, later.select(kept.columns)])


def changed_later(
    rng: np.random.Generator,
    rows: pl.DataFrame,
    months: Months,
    chance: float,
    *,
    where: pl.Expr | None = None,
    first: tuple[pl.Expr, ...] = (),
    later: tuple[pl.Expr, ...] = (),
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Some rows get a second version one to four batches on.

    `first` makes the earlier version from the row, `later` the newer one; without either it is
    the row itself. Returns all rows, then the newer versions alone.
    """
    change = _change_batch(rng, rows, months, chance, where)
    marked = rows.with_columns(change=change)
    newer = (
        marked.filter(pl.col("change").is_not_null())
        .with_columns(*later, since="change")
        .drop("change")
    )
    older = marked.filter(pl.col("change").is_not_null()).with_columns(*first, until="change")
    unchanged = marked.filter(pl.col("change").is_null())
    everything = pl.concat([unchanged.drop("change"), older.drop("change"), newer])
    return everything, newer


def withdrawn_later(
    rng: np.random.Generator, rows: pl.DataFrame, months: Months, chance: float
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Some rows vanish from full exports one to four batches on.

    Returns all rows, then those that vanish, with the batch in `until`.
    """
    change = _change_batch(rng, rows, months, chance, None)
    shown = rows.with_columns(until=pl.coalesce(change, "until"))
    return shown, shown.filter(change.is_not_null())


def _change_batch(
    rng: np.random.Generator,
    rows: pl.DataFrame,
    months: Months,
    chance: float,
    where: pl.Expr | None,
) -> pl.Series:
    """The batch that changes the row, null where none does."""
    since = rows["since"].to_numpy()
    change = since + rng.integers(1, 5, rows.height)
    possible = (change < len(months)) & (change < rows["until"].to_numpy())
    possible &= happens(rng, chance, rows.height)
    if where is not None:
        possible &= rows.select(where.fill_null(value=False)).to_series().to_numpy()
    return pl.DataFrame({"change": change, "possible": possible}).select(
        pl.when("possible").then("change")
    )["change"]
