"""What one row cannot show: repeated rows, repeated keys, eye rows that disagree.

Rows are known by `position`, their place in the unit. Suspects are found by a hash over few
columns and settled by comparing values, so that a large unit costs one narrow pass.
"""

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from ingest.checks import FAULT, fault_name, text_name
from ingest.contract import Kind, Reason

Collect = Callable[[pl.LazyFrame], pl.DataFrame]
PLACED = pl.Schema({"position": pl.Int64(), "source_file": pl.String()})
ROWS_AT_ONCE = 8_000_000  # whose hashes are held in memory together
REFUSALS = pl.Schema({"position": pl.Int64(), "column_name": pl.String(), "reason": FAULT})


@dataclass(frozen=True)
class Repeats:
    """`exact`: rows that repeat an earlier one. `same_key`: other rows whose whole key stands in
    another row too. Both have `position` and `source_file`, the latter the key as well."""

    exact: pl.DataFrame
    same_key: pl.DataFrame


def find_repeats(rows: pl.LazyFrame, count: int, kind: Kind, collect: Collect) -> Repeats:
    """Compare a unit's rows, `count` in all, by their key, and those of one key by all columns."""
    grain = kind.stored_grain
    hashes = rows.select("position", hash=pl.struct(grain).hash())
    passes = 1 + count // ROWS_AT_ONCE
    same_hash = pl.concat(
        _of_one_hash(collect(hashes.filter(pl.col("hash") % passes == turn)))
        for turn in range(passes)
    )
    if same_hash.is_empty():
        return Repeats(pl.DataFrame(schema=PLACED), pl.DataFrame(schema=PLACED))
    suspects = collect(within(rows, same_hash))
    repeats = pl.col("position") != pl.col("position").min().over(_content(kind))
    different = suspects.filter(~repeats).drop_nulls(grain)
    return Repeats(
        suspects.filter(repeats).select("position", "source_file"),
        different.filter(pl.len().over(grain) > 1).select("position", "source_file", *grain),
    )


def _of_one_hash(hashes: pl.DataFrame) -> pl.DataFrame:
    """Those whose hash another one has too; most often there are none."""
    if hashes["hash"].n_unique() == hashes.height:
        return hashes.clear()
    return hashes.filter(pl.col("hash").is_duplicated())


def _content(kind: Kind) -> list[str | pl.Expr]:
    """A row's whole content: what is stored, and where a cell is at fault, what was written."""
    return [
        *(column.stored_name for column in kind.columns),
        *(
            pl.when(pl.col(fault_name(column)).is_not_null()).then(pl.col(text_name(column)))
            for column in kind.columns
            if column not in kind.keys
        ),
    ]


def repeated_key(same_key: pl.DataFrame, kind: Kind) -> pl.DataFrame:
    """Refusals of all rows that share a key and differ; none where the kind averages them."""
    if kind.averaged or same_key.is_empty():
        return pl.DataFrame(schema=REFUSALS)
    return same_key.select(
        "position",
        pl.lit(", ".join(kind.grain)).alias("column_name"),
        pl.lit(Reason.REPEATED_KEY.value, FAULT).alias("reason"),
    )


def eyes_that_disagree(rows: pl.LazyFrame, kind: Kind, collect: Collect) -> pl.DataFrame:
    """Refusals of a session's rows that differ where they must agree; empty agrees with any."""
    if not kind.agree:
        return pl.DataFrame(schema=REFUSALS)
    session = kind.stored_grain[0]
    values = {name: pl.col(kind.column(name).stored_name) for name in kind.agree}
    content = pl.struct(values.values()).hash()
    unequal = collect(
        rows.group_by(session)
        .agg(least=content.min(), most=content.max())
        .filter(pl.col("least") != pl.col("most"))
        .select(session)
    )
    if unequal.is_empty():
        return pl.DataFrame(schema=REFUSALS)
    suspects = collect(rows.join(unequal.lazy(), on=session, how="semi").sort("position"))
    differs = {
        name: (value.drop_nulls().n_unique() > 1).over(session) for name, value in values.items()
    }
    return (
        suspects.select("position", **differs)
        .unpivot(kind.agree, index="position", variable_name="column_name")
        .filter("value")
        .select(
            "position", "column_name", pl.lit(Reason.EYES_DISAGREE.value, FAULT).alias("reason")
        )
    )


def average_samples(
    rows: pl.LazyFrame, same_key: pl.DataFrame, kind: Kind, collect: Collect
) -> tuple[pl.LazyFrame, pl.DataFrame]:
    """Rows of one key as one row, where the kind averages them: the first, with the mean value.

    Returns:
        The rows to keep, in their order; position and file of those that another stands for.
    """
    if not kind.averaged or same_key.is_empty():
        return rows, pl.DataFrame(schema=PLACED)
    grain, value = kind.stored_grain, kind.averaged
    total, samples = pl.col(value).sum().over(grain), pl.len().over(grain)  # an exact decimal sum
    means = collect(within(rows, same_key)).select(
        "position",
        "source_file",
        mean=(total.cast(pl.Float64) / samples).cast(kind.column(value).stored_type),
        is_first=pl.col("position") == pl.col("position").min().over(grain),
    )
    merged = means.filter(~pl.col("is_first"))
    kept = (
        without(rows, merged["position"])
        .join(
            means.lazy().select("position", "mean"),
            on="position",
            how="left",
            maintain_order="left",
        )
        .with_columns(pl.coalesce("mean", value).alias(value))
    )
    return kept, merged.select("position", "source_file")


def within(rows: pl.LazyFrame, few: pl.DataFrame) -> pl.LazyFrame:
    """The rows whose position is among those of a smaller frame, in their order."""
    return rows.filter(pl.col("position").is_in(few["position"].implode()))


def without(rows: pl.LazyFrame, positions: pl.Series) -> pl.LazyFrame:
    """The rows at none of some positions, in their order."""
    if positions.is_empty():
        return rows
    return rows.filter(~pl.col("position").is_in(positions.implode()))
