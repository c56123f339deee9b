"""A row's own faults, all in one pass, and the values that are stored."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import lru_cache

import polars as pl

from ingest.contract import (
    CLINIC_CODE_SHAPE,
    EARLIEST_DAY,
    EYES,
    KINDS_BY_NAME,
    MEASURES,
    OUTCOMES,
    Column,
    Kind,
    Level,
    Reason,
    Type,
)
from ingest.tables import Step, Table
from pipeline.settings import RESERVED_CODES

FAULT = pl.Enum([reason.value for reason in Reason])
NUMBER = pl.Decimal(18, 6)
ISO_DAY = r"^\d{4}-\d{2}-\d{2}$"
YES_NO = ("yes", "no")
RULES_KEPT = 256  # of kinds and batches
UNSEEN = r"[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]"  # in an id it would make two patients of one
LOWEST, HIGHEST, OF_EYE = "lowest", "highest", "of_eye"  # what an outcome's measure decides


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

    def judge(self, rows: Table) -> Table:
        """Add each cell's fault and stored value.

        Args:
            rows: `source_row`, and the kind's columns as text, null where a cell is empty.

        Returns:
            `source_row`; `text.<column>`, the cells but keys'; `fault.<column>`, a reason or null;
            and the stored columns, with keys still the clinic's own ids.
        """
        rules = _rules(self.kind.name, self.last_day, self.protocols, self.left_out)
        return rows.worked_out(rules.steps, rules.kept)


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
class _Rules:
    """The rules of one kind as polars expressions; building them costs more than a small file.

    Each of the `steps` takes what those before it gave: texts, values, a cell's own faults, those
    that other cells make of it, and what is stored. `kept` are the columns of judged rows.
    """

    steps: tuple[Step, ...]
    kept: tuple[str, ...]


@lru_cache(maxsize=RULES_KEPT)
def _rules(
    kind_name: str, last_day: date, protocols: tuple[str, ...], left_out: tuple[str, ...]
) -> _Rules:
    kind = KINDS_BY_NAME[kind_name]
    columns = kind.columns
    names = ["source_row"]
    names += [text_name(column) for column in columns if column not in kind.keys]
    names += [fault_name(column) for column in columns]
    return _Rules(
        (
            tuple(_text(column, left_out) for column in columns),
            (*map(_parsed, columns), *(_limits() if kind is OUTCOMES else ())),
            tuple(_own_fault(column, last_day, protocols) for column in columns),
            tuple(_fault(kind, column) for column in columns),
            tuple(map(_stored, columns)),
        ),
        (*names, *(column.stored_name for column in columns)),
    )


def _text(column: Column, left_out: tuple[str, ...]) -> pl.Expr:
    """A cell's text; none of a column that is left out."""
    text = pl.lit(None, pl.String) if column.name in left_out else pl.col(column.name)
    return text.alias(text_name(column))


def _parsed_name(column: Column) -> str:
    return f"parsed.{column.name}"


def _parsed(column: Column) -> pl.Expr:
    """A cell's value, or null where it cannot be read."""
    parsed = text = pl.col(text_name(column))
    match column.type:
        case Type.DATE:
            iso = pl.when(text.str.contains(ISO_DAY)).then(text)
            parsed = iso.str.to_date("%Y-%m-%d", strict=False)
        case Type.DECIMAL:
            parsed = text.cast(NUMBER, strict=False)
        case Type.INTEGER:
            number = text.cast(NUMBER, strict=False)
            parsed = pl.when(number == number.cast(pl.Int64, strict=False)).then(number)
    return parsed.alias(_parsed_name(column))


def _limits() -> Iterator[pl.Expr]:
    """What an outcome's measure decides of its value and eye; an unknown measure limits neither."""
    measure = pl.col(text_name(OUTCOMES.column("measure")))
    for name, type_, of_measure in (
        (LOWEST, NUMBER, {m.name: _number(m.low) for m in MEASURES}),
        (HIGHEST, NUMBER, {m.name: _number(m.high) for m in MEASURES}),
        (OF_EYE, pl.Boolean(), {m.name: m.level is Level.EYE for m in MEASURES}),
    ):
        yield measure.replace_strict(of_measure, default=None, return_dtype=type_).alias(name)


def _own_fault(column: Column, last_day: date, protocols: tuple[str, ...]) -> pl.Expr:
    """The first fault that a cell shows by itself, or null."""
    return _first(_own_faults(column, last_day, protocols)).alias(_own_fault_name(column))


def _own_fault_name(column: Column) -> str:
    return f"own_fault.{column.name}"


def _fault(kind: Kind, column: Column) -> pl.Expr:
    """The first fault of a cell, or null."""
    own = pl.col(_own_fault_name(column))
    of_measure = list(_measure_faults(column)) if kind is OUTCOMES else []
    fault = own.fill_null(_first(of_measure)) if of_measure else own
    return fault.alias(fault_name(column))


def _first(faults: Iterable[tuple[Reason, pl.Expr]]) -> pl.Expr:
    """The first reason that holds, or null."""
    fault: pl.Expr = pl.lit(None, FAULT)
    for reason, holds in reversed(list(faults)):
        fault = pl.when(holds).then(pl.lit(reason.value, FAULT)).otherwise(fault)
    return fault


def _own_faults(
    column: Column, last_day: date, protocols: tuple[str, ...]
) -> Iterator[tuple[Reason, pl.Expr]]:
    text, parsed = pl.col(text_name(column)), pl.col(_parsed_name(column))
    if column.required:
        yield Reason.MISSING, text.is_null()
    match column.type:
        case Type.KEY:
            yield Reason.UNREADABLE, text.str.contains(UNSEEN)
        case Type.DATE:
            yield Reason.UNREADABLE, text.is_not_null() & parsed.is_null()
            yield Reason.BEFORE_2000, parsed < EARLIEST_DAY
            yield Reason.AFTER_BATCH, parsed > last_day
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


def _range_faults(column: Column) -> Iterator[tuple[Reason, pl.Expr]]:
    parsed = pl.col(_parsed_name(column))
    if column.low is not None:
        yield Reason.OUT_OF_RANGE, parsed < _number(column.low)
    if column.high is not None:
        above = Reason.ABOVE_RANGE if column.kept_above else Reason.OUT_OF_RANGE
        yield above, parsed > _number(column.high)


def _measure_faults(column: Column) -> Iterator[tuple[Reason, pl.Expr]]:
    """An outcome's value and eye depend on its measure."""
    parsed, of_eye = pl.col(_parsed_name(column)), pl.col(OF_EYE)
    if column.name == "value":
        outside = (parsed < pl.col(LOWEST)) | (parsed > pl.col(HIGHEST))
        yield Reason.OUT_OF_RANGE, outside
    if column.name == "eye":
        yield Reason.NEEDS_SINGLE_EYE, of_eye & (parsed == EYES[-1])
        yield Reason.NEEDS_BOTH_EYES, ~of_eye & (parsed != EYES[-1])


def _stored(column: Column) -> pl.Expr:
    """The value as stored; a faulty one is empty, unless it is a temperature above its range."""
    fault = pl.col(fault_name(column))
    stands = fault.is_null()
    if column.kept_above:
        stands = stands | (fault == Reason.ABOVE_RANGE.value)
    stored: pl.Expr = pl.when(stands).then(pl.col(_parsed_name(column)))
    if column.type is Type.YES_NO:
        stored = stored == "yes"
    if column.type is Type.INTEGER:
        stored = stored.cast(pl.Int64)
    if column.stored_at_most is not None:
        stored = stored.clip(upper_bound=column.stored_at_most)
    return stored.alias(column.stored_name)


def _number(limit: float) -> Decimal:
    return Decimal(str(limit))
