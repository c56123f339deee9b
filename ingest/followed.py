"""Rows that follow one another: each with what the next one says, so that no model looks for it."""

import polars as pl

from ingest.contract import Kind, next_name
from ingest.gathering import Gathered


def with_next_values(unit: Gathered, rows: pl.LazyFrame, kind: Kind) -> pl.LazyFrame:
    """A unit's rows in the order of the grain, no two of one key, each with the next one's values;
    rows of a kind in which none follows another as they are."""
    if not kind.followed:
        return rows
    *shared, _ = kind.stored_grain
    goes_on = pl.all_horizontal(pl.col(name).shift(-1) == pl.col(name) for name in shared)
    return unit.in_order(rows, kind.stored_grain).with_columns(
        pl.when(goes_on).then(pl.col(name).shift(-1)).alias(next_name(name))
        for name in kind.followed
    )
