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
ALWAYS = pl.lit(value=True)
Changes = tuple[pl.Expr, ...]


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
    where: pl.Expr = ALWAYS,
    first: Changes = (),
    later: Changes = (),
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Some rows get a newer version one to four batches on.

    `first` makes the older version from the row, `later` the newer one; without either it is
    the row itself. Returns all rows, then the older versions alone.
    """
    change = _change_batch(rng, rows, months, chance, where)
    picked = rows.filter(change.is_not_null())
    batch = change.drop_nulls()
    older = picked.with_columns(*first, until=batch)
    newer = picked.with_columns(*later, since=batch)
    return pl.concat([rows.filter(change.is_null()), older, newer]), older


def withdrawn_later(
    rng: np.random.Generator, rows: pl.DataFrame, months: Months, chance: float
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Some rows vanish from full exports one to four batches on.

    Returns all rows, then those that vanish.
    """
    change = _change_batch(rng, rows, months, chance, ALWAYS)
    shown = rows.with_columns(until=pl.coalesce(change, "until"))
    return shown, shown.filter(change.is_not_null())


def _change_batch(
    rng: np.random.Generator, rows: pl.DataFrame, months: Months, chance: float, where: pl.Expr
) -> pl.Series:
    """The batch that changes a row, null where none does; only the newest version can change."""
    change = pl.col("since") + pl.Series(rng.integers(1, 5, rows.height))
    picked = pl.Series(happens(rng, chance, rows.height))
    return rows.select(
        pl.when(picked & where & (pl.col("until") == NEVER) & (change < len(months))).then(change)
    ).to_series()
