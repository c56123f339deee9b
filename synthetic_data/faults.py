"""Every way in which a row of the exports can be wrong, as the contract tells."""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum

import polars as pl

from ingest.contract import (
    EARLIEST_DAY,
    HARMS,
    MEASURES,
    OUTCOMES,
    SESSIONS,
    SINGLE_EYES,
    TEMPERATURES,
    Column,
    Kind,
    Level,
    Reason,
    Type,
)

UNLISTED = "unlisted"
ALWAYS = pl.repeat(value=True, n=pl.len())
ROLL, LAST_DAY = pl.col("roll"), pl.col("last_day")  # 0 to 1 at random; of the row's batch


class Twin(IntEnum):
    """Whether a fault lies in one row or between two."""

    NONE = 0
    SAME_KEY = 1
    OTHER_EYE = 2


@dataclass(frozen=True)
class Fault:
    """One way to be wrong.

    `cell` is the column whose content becomes `text`; `column` is what the fault is told of,
    the cell unless several columns are. `fits` tells for which rows the fault is one. A typed
    column can only hold it where `typed`, a wide table where `wide`. With a twin, the second of two
    rows alone is changed.
    """

    cell: str
    reason: Reason
    text: pl.Expr
    refuses: bool
    column: str
    fits: pl.Expr = ALWAYS
    typed: bool = True
    twin: Twin = Twin.NONE

    @property
    def wide(self) -> bool:
        """Whether a wide table can hold it: its columns tell eye and measure, none is empty."""
        is_empty = self.cell == "value" and self.reason is Reason.MISSING
        return self.cell not in ("eye", "measure") and not is_empty


def faults_of(kind: Kind) -> tuple[Fault, ...]:
    """Every fault that a kind's rows can have, as its columns tell."""
    return (
        *(fault for column in kind.columns for fault in _of_column(kind, column)),
        *_of_measures(kind),
        *_of_twins(kind),
    )


def _of_column(kind: Kind, column: Column) -> Iterator[Fault]:
    """The faults of a single value; an optional column that rows must agree on is left alone."""
    if not column.required and column.name in kind.agree:
        return
    harmless = ~pl.col(column.name).is_in(HARMS) if column.name == "adverse_event" else ALWAYS

    def fault(reason: Reason, text: pl.Expr, *, typed: bool = True) -> Fault:
        refuses = column.required and reason is not Reason.ABOVE_RANGE
        return Fault(column.name, reason, text, refuses, column.name, harmless, typed)

    if column.required:
        yield fault(Reason.MISSING, pl.lit(None, pl.String))
    match column.type:
        case Type.DATE:
            yield fault(Reason.UNREADABLE, pl.lit("31/02/2026"), typed=False)
            yield fault(Reason.BEFORE_2000, _day_text(pl.lit(EARLIEST_DAY), -1 - ROLL * 9000))
            yield fault(Reason.AFTER_BATCH, _day_text(LAST_DAY, 1 + ROLL * 400))
        case Type.INTEGER | Type.DECIMAL:
            yield fault(Reason.UNREADABLE, pl.lit("not known"), typed=False)
            if column.low is not None:
                yield fault(Reason.OUT_OF_RANGE, pl.lit(str(int(column.low) - 1)))
            if column.high is not None:
                above = Reason.ABOVE_RANGE if column.kept_above else Reason.OUT_OF_RANGE
                yield fault(above, pl.lit(str(int(column.high) + 2)))
        case Type.CODE | Type.YES_NO:
            yield fault(Reason.UNKNOWN_CODE, pl.lit(UNLISTED))
        case Type.CLINIC_CODE:
            yield fault(Reason.UNKNOWN_CODE, pl.lit("no 3"))
        case Type.PROTOCOL:
            yield fault(Reason.UNKNOWN_PROTOCOL, pl.lit(UNLISTED))


def _day_text(day: pl.Expr, shift: pl.Expr) -> pl.Expr:
    return day.dt.offset_by(pl.format("{}d", shift.cast(pl.Int64))).cast(pl.String)


def _of_measures(kind: Kind) -> Iterator[Fault]:
    """Faults of a value or an eye against the measure of its row."""
    if kind is not OUTCOMES:
        return
    measure = pl.col("measure")
    names = [m.name for m in MEASURES]
    low, high = (
        measure.replace_strict(names, texts, default=None, return_dtype=pl.String)
        for texts in (
            [str(int(m.low) - 1) for m in MEASURES],
            [str(int(m.high) + 1) for m in MEASURES],
        )
    )
    of_eye, of_patient = (
        measure.is_in([m.name for m in MEASURES if m.level is level])
        for level in (Level.EYE, Level.PATIENT)
    )
    right = pl.lit(SINGLE_EYES[0])
    for cell, reason, text, fits in (
        ("value", Reason.OUT_OF_RANGE, low, ALWAYS),
        ("value", Reason.OUT_OF_RANGE, high, ALWAYS),
        ("eye", Reason.NEEDS_SINGLE_EYE, pl.lit("both"), of_eye),
        ("eye", Reason.NEEDS_BOTH_EYES, right, of_patient),
    ):
        yield Fault(cell, reason, text, True, cell, fits)


def _of_twins(kind: Kind) -> Iterator[Fault]:
    """Faults that only two rows together show."""
    if kind is TEMPERATURES:
        return
    day = next(column.name for column in kind.columns if column.type is Type.DATE)
    day_before = pl.col(day).str.to_date().dt.offset_by("-1d").cast(pl.String)
    yield Fault(
        day,
        Reason.REPEATED_KEY,
        day_before,
        True,
        ", ".join(kind.grain),
        pl.col(day).is_not_null(),
        twin=Twin.SAME_KEY,
    )
    if kind is SESSIONS:
        chair = pl.col("chair_minutes")
        other_purpose = pl.col("purpose").replace(
            ["course", "maintenance"], ["maintenance", "course"]
        )
        for cell, text in (
            (day, day_before),
            ("purpose", other_purpose),
            ("chair_minutes", (chair.cast(pl.Float64) * 0.5).cast(pl.String)),
        ):
            fits = pl.col(cell).is_not_null() & (pl.col(cell) != "0.0")
            yield Fault(cell, Reason.EYES_DISAGREE, text, True, cell, fits, twin=Twin.OTHER_EYE)
