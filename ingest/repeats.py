"""What one row cannot show: repeated rows, repeated keys, eye rows that disagree.

Rows are known by `position`, their place in the unit. Suspects are found by a hash of few columns
and settled by comparing values, so that a large unit costs one narrow pass.
"""

import polars as pl

from ingest.checks import FAULT, fault_name, text_name
from ingest.contract import Kind, Reason

REFUSALS = pl.Schema({"position": pl.UInt32(), "column_name": pl.String(), "reason": FAULT})


def same_grain(rows: pl.DataFrame, kind: Kind) -> pl.DataFrame:
    """Rows whose grain's columns, empty ones too, hash as in another row."""
    hashes = rows.select(pl.struct(kind.stored_grain).hash())[:, 0]
    if hashes.n_unique() == hashes.len():
        return rows.clear()
    return rows.filter(hashes.is_duplicated())


def exact_repeats(suspects: pl.DataFrame, kind: Kind) -> pl.DataFrame:
    """Rows that repeat an earlier one in every column, as stored or, where faulty, as written."""
    as_written = (
        pl.when(pl.col(fault_name(column)).is_not_null()).then(pl.col(text_name(column)))
        for column in kind.columns
        if column not in kind.keys
    )
    content = [*(column.stored_name for column in kind.columns), *as_written]
    return suspects.filter(pl.col("position") != pl.col("position").min().over(content))


def rows_of_one_key(suspects: pl.DataFrame, kind: Kind) -> pl.DataFrame:
    """Rows whose whole grain stands in another row too; none may be an exact repeat."""
    grain = kind.stored_grain
    return suspects.drop_nulls(grain).filter(pl.len().over(grain) > 1)


def repeated_key(same_key: pl.DataFrame, kind: Kind) -> pl.DataFrame:
    """Refusals of all rows that share a key and differ; none where the kind averages them."""
    if kind.averaged:
        return pl.DataFrame(schema=REFUSALS)
    return same_key.select(
        "position",
        pl.lit(", ".join(kind.grain)).alias("column_name"),
        pl.lit(Reason.REPEATED_KEY.value, FAULT).alias("reason"),
    )


def eyes_that_disagree(rows: pl.DataFrame, kind: Kind) -> pl.DataFrame:
    """Refusals of a session's rows that differ where they must agree; empty agrees with any."""
    if not kind.agree:
        return pl.DataFrame(schema=REFUSALS)
    session = kind.stored_grain[0]
    values = {name: pl.col(kind.column(name).stored_name) for name in kind.agree}
    differing = (
        rows.group_by(session)
        .agg(value.drop_nulls().n_unique().alias(name) for name, value in values.items())
        .unpivot(kind.agree, index=session, variable_name="column_name", value_name="values")
        .filter(pl.col("values") > 1)
        .sort(session)
    )
    return (
        rows.select("position", session)
        .join(differing, on=session, maintain_order="left_right")
        .select(
            "position", "column_name", pl.lit(Reason.EYES_DISAGREE.value, FAULT).alias("reason")
        )
    )


def average_samples(
    rows: pl.DataFrame, same_key: pl.DataFrame, kind: Kind
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows of one key as one row, where the kind averages them: the first, with the mean value.

    Returns:
        All rows to keep, in their order; and the rows that another one stands for.
    """
    grain, value = kind.stored_grain, kind.averaged
    several = rows.join(same_key, on="position", how="semi")
    if value is None or several.is_empty():
        return rows, rows.clear()
    total, samples = pl.col(value).sum().over(grain), pl.len().over(grain)  # an exact decimal sum
    means = several.select(
        "position",
        mean=(total.cast(pl.Float64) / samples).cast(several.schema[value]),
        is_first=pl.col("position").min().over(grain) == pl.col("position"),
    )
    merged = several.join(means.filter(~pl.col("is_first")), on="position", how="semi")
    kept = (
        rows.join(merged, on="position", how="anti", maintain_order="left")
        .join(means, on="position", how="left", maintain_order="left")
        .with_columns(pl.coalesce("mean", value).alias(value))
    )
    return kept, merged
