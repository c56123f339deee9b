"""A row's own faults, all in one pass, and the values that are stored."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import cache

import polars as pl

from ingest.contract import (
    CLINIC_CODE_SHAPE,
    EARLIEST_DAY,
    EYES,
    KINDS_BY_NAME,
    MEASURES,
    OUTCOMES,
    SINGLE_EYES,
    Column,
    Kind,
    Level,
    Reason,
    Type,
)
from pipeline.settings import RESERVED_CODES

FAULT = pl.Enum([reason.value for reason in Reason])
NUMBER = pl.Decimal(18, 6)
ISO_DAY = r"^\d{4}-\d{2}-\d{2}$"
YES_NO = ("yes", "no")
UNSEEN = r"[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]"  # in an id it would make two patients of one
LAST_DAY = "last_day"  # of the batch, in every row


@dataclass(frozen=True)
class Judge:
    """What rows of one batch and kind are held against, beside the contract.

    `forgotten` are the keys of patients and sessions whose rows are dropped. `left_out` are the
    columns of which nothing is taken in.
    """

    kind: Kind
    last_day: date
    protocols: tuple[str, ...]
    forgotten: frozenset[str] = frozenset()
    left_out: tuple[str, ...] = ()

    def judge(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Add each cell's fault and stored value.

        Args:
            rows: `source_row`, and the kind's columns as text, null where a cell is empty.

        Returns:
            `source_row`; `text.<column>`, the cells but keys'; `fault.<column>`, a reason or null;
            and the stored columns, with keys still the clinic's own ids.
        """
        columns = _expressions(self.kind.name, self.protocols, self.left_out)
        return (
            rows.lazy()
            .select("source_row", pl.lit(self.last_day).alias(LAST_DAY), *columns.texts)
            .with_columns(columns.parsed)
            .with_columns(columns.faults)
            .with_columns(columns.stored)
            .drop(LAST_DAY, *(text_name(key) for key in self.kind.keys))
            .collect(engine="in-memory", optimizations=pl.QueryOptFlags.none())
        )


def faults(rows: pl.LazyFrame, kind: Kind) -> pl.LazyFrame:
    """Judged rows' faults, one a row: `position`, `source_file`, `column_name`, `reason`, and
    whether it `refuses` its row, as every fault of a required column does but a value above the
    range that is kept. In order of the contract's columns, then of position."""
    names = {fault_name(column): column.name for column in kind.columns}
    required = [column.name for column in kind.columns if column.required]
    return (
        rows.select("position", "source_file", *(pl.col(f).alias(c) for f, c in names.items()))
        .filter(pl.any_horizontal(pl.col(list(names.values())).is_not_null()))
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


def text_name(column: Column) -> str:
    """The column of judged rows that holds a cell's text."""
    return f"text.{column.name}"


def fault_name(column: Column) -> str:
    """The column of judged rows that holds a cell's fault, or null."""
    return f"fault.{column.name}"


@dataclass(frozen=True)
class _Expressions:
    """The rules of one kind as polars expressions; building them costs more than a small file."""

    texts: tuple[pl.Expr, ...]
    parsed: tuple[pl.Expr, ...]
    faults: tuple[pl.Expr, ...]
    stored: tuple[pl.Expr, ...]


@cache
def _expressions(
    kind_name: str, protocols: tuple[str, ...], left_out: tuple[str, ...]
) -> _Expressions:
    columns = KINDS_BY_NAME[kind_name].columns
    return _Expressions(
        tuple(_text(column, left_out) for column in columns),
        tuple(_parsed(column).alias(column.stored_name) for column in columns),
        tuple(_fault(KINDS_BY_NAME[kind_name], column, protocols) for column in columns),
        tuple(_stored(column) for column in columns),
    )


def _text(column: Column, left_out: tuple[str, ...]) -> pl.Expr:
    """A cell's text; none of a column that is left out."""
    text = pl.lit(None, pl.String) if column.name in left_out else pl.col(column.name)
    return text.alias(text_name(column))


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


def _fault(kind: Kind, column: Column, protocols: tuple[str, ...]) -> pl.Expr:
    """The first fault of a cell, or null."""
    fault: pl.Expr = pl.lit(None, FAULT)
    for reason, holds in reversed(list(_faults(kind, column, protocols))):
        fault = pl.when(holds).then(pl.lit(reason.value, FAULT)).otherwise(fault)
    return fault.alias(fault_name(column))


def _faults(
    kind: Kind, column: Column, protocols: tuple[str, ...]
) -> Iterator[tuple[Reason, pl.Expr]]:
    text, parsed = pl.col(text_name(column)), pl.col(column.stored_name)
    if column.required:
        yield Reason.MISSING, text.is_null()
    match column.type:
        case Type.KEY:
            yield Reason.UNREADABLE, text.str.contains(UNSEEN)
        case Type.DATE:
            yield Reason.UNREADABLE, text.is_not_null() & parsed.is_null()
            yield Reason.BEFORE_2000, parsed < EARLIEST_DAY
            yield Reason.AFTER_BATCH, parsed > pl.col(LAST_DAY)
        case Type.INTEGER | Type.DECIMAL:
            yield Reason.UNREADABLE, text.is_not_null() & parsed.is_null()
            yield from _range_faults(column)
        case Type.CODE:
            yield Reason.UNKNOWN_CODE, ~text.is_in(column.codes)
        case Type.PROTOCOL:
            yield Reason.UNKNOWN_PROTOCOL, ~text.is_in(protocols)
        case Type.YES_NO:
            yield Reason.UNKNOWN_CODE, ~text.is_in(YES_NO)
        case Type.CLINIC_CODE:
            usable = text.str.contains(CLINIC_CODE_SHAPE) & ~text.is_in(RESERVED_CODES)
            yield Reason.UNKNOWN_CODE, ~usable
    if kind is OUTCOMES:
        yield from _measure_faults(column)


def _range_faults(column: Column) -> Iterator[tuple[Reason, pl.Expr]]:
    parsed = pl.col(column.stored_name)
    if column.low is not None:
        yield Reason.OUT_OF_RANGE, parsed < _number(column.low)
    if column.high is not None:
        above = Reason.ABOVE_RANGE if column.kept_above else Reason.OUT_OF_RANGE
        yield above, parsed > _number(column.high)


def _measure_faults(column: Column) -> Iterator[tuple[Reason, pl.Expr]]:
    """An outcome's value and eye depend on its measure; an unknown measure limits neither."""
    measure, parsed = pl.col("text.measure"), pl.col(column.stored_name)
    if column.name == "value":
        lowest = {m.name: _number(m.low) for m in MEASURES}
        highest = {m.name: _number(m.high) for m in MEASURES}
        low, high = (
            measure.replace_strict(limits, default=None, return_dtype=NUMBER)
            for limits in (lowest, highest)
        )
        yield Reason.OUT_OF_RANGE, (parsed < low) | (parsed > high)
    if column.name == "eye":
        of_eye = [m.name for m in MEASURES if m.level is Level.EYE]
        of_patient = [m.name for m in MEASURES if m.level is Level.PATIENT]
        yield Reason.NEEDS_SINGLE_EYE, measure.is_in(of_eye) & (parsed == EYES[-1])
        yield Reason.NEEDS_BOTH_EYES, measure.is_in(of_patient) & parsed.is_in(SINGLE_EYES)


def _stored(column: Column) -> pl.Expr:
    """The value as stored; a faulty one is empty, unless it is a temperature above its range."""
    fault = pl.col(fault_name(column))
    stands = fault.is_null()
    if column.kept_above:
        stands = stands | (fault == Reason.ABOVE_RANGE.value)
    stored: pl.Expr = pl.when(stands).then(pl.col(column.stored_name))
    if column.type is Type.YES_NO:
        stored = stored == "yes"
    if column.type is Type.INTEGER:
        stored = stored.cast(pl.Int64)
    if column.stored_at_most is not None:
        stored = stored.clip(upper_bound=column.stored_at_most)
    return stored.alias(column.stored_name)


def _number(limit: float) -> Decimal:
    return Decimal(str(limit))
