"""A row's own faults, all in one pass, and the values that are stored."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

import polars as pl

from ingest.contract import (
    CLINIC_CODE_SHAPE,
    EARLIEST_DAY,
    EYES,
    MEASURES,
    OUTCOMES,
    Column,
    Kind,
    Level,
    Reason,
    Type,
)
from pipeline.settings import RESERVED_CODES

FAULT = pl.Enum([reason.value for reason in Reason])
ISO_DAY = r"^\d{4}-\d{2}-\d{2}$"
NUMBER = pl.Decimal(18, 6)


@dataclass(frozen=True)
class Judge:
    """What rows of one batch and kind are held against, beside the contract."""

    kind: Kind
    last_day: date
    protocols: tuple[str, ...]

    def judge(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Add to the cells (text, null = empty) each column's fault and stored value.

        Returns:
            `source_row`; `text.<column>` the cells; `fault.<column>` the reason or null; and the
            stored columns, with keys still as the clinic's own ids.
        """
        columns = self.kind.columns
        return (
            rows.rename({column.name: text_name(column) for column in columns})
            .with_columns(_parsed(column).alias(column.stored_name) for column in columns)
            .with_columns(self._fault(column) for column in columns)
            .with_columns(_stored(column) for column in columns)
        )

    def _fault(self, column: Column) -> pl.Expr:
        """The first fault of a value, or null."""
        fault = pl.lit(None, FAULT)
        for reason, holds in reversed(list(self._faults(column))):
            fault = pl.when(holds).then(pl.lit(reason.value, FAULT)).otherwise(fault)
        return fault.alias(fault_name(column))

    def _faults(self, column: Column) -> Iterator[tuple[Reason, pl.Expr]]:
        text, parsed = pl.col(text_name(column)), pl.col(column.stored_name)
        if column.required:
            yield Reason.MISSING, text.is_null()
        match column.type:
            case Type.DATE:
                yield Reason.UNREADABLE, text.is_not_null() & parsed.is_null()
                yield Reason.BEFORE_2000, parsed < EARLIEST_DAY
                yield Reason.AFTER_BATCH, parsed > self.last_day
            case Type.INTEGER | Type.DECIMAL:
                yield Reason.UNREADABLE, text.is_not_null() & parsed.is_null()
                yield from _range_faults(column)
            case Type.CODE:
                yield Reason.UNKNOWN_CODE, ~text.is_in(column.codes)
            case Type.PROTOCOL:
                yield Reason.UNKNOWN_PROTOCOL, ~text.is_in(self.protocols)
            case Type.YES_NO:
                yield Reason.UNKNOWN_CODE, ~text.is_in(["yes", "no"])
            case Type.CLINIC_CODE:
                known = text.str.contains(CLINIC_CODE_SHAPE) & ~text.is_in(RESERVED_CODES)
                yield Reason.UNKNOWN_CODE, ~known
        if self.kind is OUTCOMES:
            yield from _measure_faults(column)


def _range_faults(column: Column) -> Iterator[tuple[Reason, pl.Expr]]:
    parsed = pl.col(column.stored_name)
    if column.low is not None:
        yield Reason.OUT_OF_RANGE, parsed < Decimal(str(column.low))
    if column.high is not None:
        above = Reason.ABOVE_RANGE if column.kept_above else Reason.OUT_OF_RANGE
        yield above, parsed > Decimal(str(column.high))


def _measure_faults(column: Column) -> Iterator[tuple[Reason, pl.Expr]]:
    """An outcome's value and eye depend on its measure; an unknown measure limits neither."""
    measure, parsed = pl.col("text.measure"), pl.col(column.stored_name)
    if column.name == "value":
        names = [m.name for m in MEASURES]
        low, high = (
            measure.replace_strict(
                names, [Decimal(str(end)) for end in ends], default=None, return_dtype=NUMBER
            )
            for ends in ([m.low for m in MEASURES], [m.high for m in MEASURES])
        )
        yield Reason.OUT_OF_RANGE, (parsed < low) | (parsed > high)
    if column.name == "eye":
        of_eye = measure.is_in([m.name for m in MEASURES if m.level is Level.EYE])
        of_patient = measure.is_in([m.name for m in MEASURES if m.level is Level.PATIENT])
        yield Reason.NEEDS_SINGLE_EYE, of_eye & (parsed == EYES[-1])
        yield Reason.NEEDS_BOTH_EYES, of_patient & (parsed != EYES[-1])


def text_name(column: Column) -> str:
    """The column of judged rows that holds the cell's text."""
    return f"text.{column.name}"


def fault_name(column: Column) -> str:
    """The column of judged rows that holds the cell's fault, or null."""
    return f"fault.{column.name}"


def faults(rows: pl.DataFrame, kind: Kind) -> pl.DataFrame:
    """Judged rows' faults, one a row: `position`, `source_file`, `column_name`, `reason`, and
    whether it `refuses` its row, as every fault of a required column does but a value above the
    range that is kept. In order of the contract's columns, then of position."""
    names = {fault_name(column): column.name for column in kind.columns}
    required = [column.name for column in kind.columns if column.required]
    return (
        rows.filter(~pl.all_horizontal(pl.col(list(names)).is_null()))
        .select("position", "source_file", pl.col(list(names)).name.map(names.__getitem__))
        .unpivot(
            list(names.values()),
            index=["position", "source_file"],
            variable_name="column_name",
            value_name="reason",
        )
        .drop_nulls("reason")
        .with_columns(
            refuses=pl.col("column_name").is_in(required)
            & (pl.col("reason") != Reason.ABOVE_RANGE.value)
        )
    )


def _parsed(column: Column) -> pl.Expr:
    """A cell's value, or null where it cannot be read."""
    text = pl.col(text_name(column))
    match column.type:
        case Type.DATE:
            iso = pl.when(text.str.contains(ISO_DAY)).then(text)
            return iso.str.to_date("%Y-%m-%d", strict=False)
        case Type.DECIMAL:
            return text.cast(NUMBER, strict=False)
        case Type.INTEGER:
            number = text.cast(NUMBER, strict=False)
            return pl.when(number == number.cast(pl.Int64, strict=False)).then(number)
        case _:
            return text


def _stored(column: Column) -> pl.Expr:
    """The value as stored; a faulty one is empty, unless it is a temperature above its range."""
    parsed, fault = pl.col(column.stored_name), pl.col(fault_name(column))
    kept: pl.Expr = pl.when(fault.is_null() | (fault == Reason.ABOVE_RANGE.value)).then(parsed)
    if column.type is Type.YES_NO:
        kept = kept == "yes"
    if column.type is Type.INTEGER:
        kept = kept.cast(pl.Int64)
    if column.stored_at_most is not None:
        kept = kept.clip(upper_bound=column.stored_at_most)
    return kept.alias(column.stored_name)
