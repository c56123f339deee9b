"""A log's rows: each with what the next one says, so that no model looks for it."""

import polars as pl

from ingest.contract import Kind
from ingest.gathering import Gathered


def put_in_logs(unit: Gathered, rows: pl.LazyFrame, kind: Kind) -> pl.LazyFrame:
    """A unit's rows in the order of the grain, no two of one key, with the columns of the kind's
    `log_schema`; rows of a kind that is no log as they are."""
    if kind.followed is None:
        return rows
    *log, time = kind.stored_grain
    begins, after, value = kind.log_schema
    goes_on = pl.all_horizontal(pl.col(name) == pl.col(name).shift(-1) for name in log)
    return unit.in_order(rows, kind.stored_grain).with_columns(
        (~goes_on).shift(1).fill_null(True).alias(begins),
        pl.when(goes_on)
        .then(pl.col(time).shift(-1) - pl.col(time))
        .cast(kind.log_schema[after])
        .alias(after),
        pl.when(goes_on).then(pl.col(kind.followed).shift(-1)).alias(value),
    )
