"""Plants faults and repeats among the rows.

A refused row is always one more than the clean exports hold, so that what is accepted of faulty
exports is what clean ones hold, but for the values that are flagged and emptied.
"""

from dataclasses import dataclass
from enum import IntEnum
from functools import cached_property

import numpy as np
import polars as pl

from ingest.contract import HARMS, SESSIONS, SINGLE_EYES, TEMPERATURES, Kind, Type
from synthetic_data.faults import Fault, Twin, faults_of
from synthetic_data.months import FOREVER, Months
from synthetic_data.randomness import Booleans, Integers, choose, happens

NO_FAULT = -1
MARKS = ("since", "until", "role", "fault", "lacks_date", "replaces")

ROLE_WEIGHTS = (0.45, 0.40, 0.15)  # refused, flagged, repeated
ANOTHER_FAULT = 0.2  # of refused rows lack their date besides
REPLACES = 0.3  # of refused rows come as a newer version of an accepted one
OF_HARM = 0.3  # of a session's refused rows tell of a harm


class Role(IntEnum):
    """What a row is there for."""

    CLEAN = 0
    REFUSED = 1
    FLAGGED = 2
    REPEATED = 3  # a whole row once more
    AVERAGED = 4  # a sample's time once more


@dataclass(frozen=True)
class Target:
    """Where faults are planted: rows of one kind and site.

    `share` is of the rows there are; `first_id` the first number for the ids of refused rows.
    `typed` rows hold only the faults that typed columns can, all others become text.
    `own_column` is one that the contract does not know. `wide` rows come from a table whose columns
    tell the measure and the eye.
    """

    kind: Kind
    months: Months
    full: bool
    typed: bool
    share: float
    first_id: int
    own_column: str | None = None
    wide: bool = False

    @cached_property
    def faults(self) -> tuple[Fault, ...]:
        """The faults that can be planted here; marks name them by their position."""
        return tuple(
            fault
            for fault in faults_of(self.kind)
            if (fault.typed or not self.typed) and (fault.wide or not self.wide)
        )

    @property
    def own_date(self) -> str | None:
        """The required date, where the kind has one."""
        dates = (c.name for c in self.kind.columns if c.type is Type.DATE and c.required)
        return next(dates, None)


def with_faults(rng: np.random.Generator, rows: pl.DataFrame, target: Target) -> pl.DataFrame:
    """The rows with faults planted among them, in the order in which they are written.

    Args:
        rows: the contract's columns, typed, with `since`, `until` and `role`.

    Returns:
        The same and more marks for the truth: `fault`, a position in `target.faults` or NO_FAULT;
        `lacks_date`, a second fault; `replaces`, whether an accepted row would be replaced.
    """
    rows = rows.with_columns(
        fault=pl.lit(NO_FAULT, pl.Int64),
        lacks_date=pl.lit(value=False),
        replaces=pl.lit(value=False),
        position=pl.int_range(pl.len()).cast(pl.Float64),
    )
    refused, flagged, repeated = _picked(rng, rows, target)
    flags = _flagged(rng, _as_text(rows[flagged]), target)
    spoilt = [
        flags,
        _refused(rng, _as_text(rows[refused]), target, rows.height),
        _repeated(rng, _as_text(rows[repeated]), rows.height),
    ]
    untouched = rows.filter(~pl.col("position").is_in(flags["position"].implode()))
    if target.typed:
        spoilt = [_as_typed(part, rows.schema) for part in spoilt]
    else:
        untouched = _as_text(untouched)
    return pl.concat([untouched, *spoilt]).sort("position", maintain_order=True).drop("position")


def _as_text(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.with_columns(pl.exclude(*MARKS, "position").cast(pl.String))


def _as_typed(text: pl.DataFrame, schema: pl.Schema) -> pl.DataFrame:
    return text.with_columns(
        pl.col(name).str.to_date() if type_ == pl.Date else pl.col(name).cast(type_)
        for name, type_ in schema.items()
    )


def _picked(rng: np.random.Generator, rows: pl.DataFrame, target: Target) -> tuple[Integers, ...]:
    """Positions of the rows to copy and refuse, to flag, and to repeat."""
    clean = np.flatnonzero(rows["role"].to_numpy() == Role.CLEAN)
    count = max(round(target.share * len(clean)), min(1, len(clean)) if target.share else 0)
    picked = rng.choice(clean, count, replace=False)
    role = choose(rng, ROLE_WEIGHTS, len(picked))
    refused, flagged, repeated = (np.sort(picked[role == n]) for n in range(len(ROLE_WEIGHTS)))
    if target.kind is SESSIONS:
        harmed = np.flatnonzero(rows["adverse_event"].is_in(HARMS).fill_null(value=False))
        count = min(round(OF_HARM * len(refused)), len(harmed))
        others = rng.choice(refused, len(refused) - count, replace=False)
        refused = np.union1d(others, rng.choice(harmed, count, replace=False))
    return refused, flagged, repeated


def _flagged(rng: np.random.Generator, rows: pl.DataFrame, target: Target) -> pl.DataFrame:
    columns = rows.columns
    rows, _ = _assigned(rng, rows, target, refuses=False)
    return _overwritten(_in_role(rows, Role.FLAGGED), target).select(columns)


def _repeated(rng: np.random.Generator, rows: pl.DataFrame, height: int) -> pl.DataFrame:
    """The same rows once more in the same batch, somewhere below."""
    below = pl.Series(rng.random(rows.height)) * (height - pl.col("position"))
    return _in_role(rows, Role.REPEATED).with_columns(
        position=pl.col("position") + below, until=pl.col("since") + 1
    )


def _refused(
    rng: np.random.Generator, rows: pl.DataFrame, target: Target, height: int
) -> pl.DataFrame:
    """Copies that ingest must refuse, in one batch each."""
    columns = rows.columns
    rows, faults = _assigned(rng, rows, target, refuses=True)
    alone = np.array([fault.twin is Twin.NONE for fault in faults], dtype=np.bool_)
    dated = np.array(
        [target.own_date not in (None, fault.cell) for fault in faults], dtype=np.bool_
    )
    replaces = pl.Series(_replacing(rng, rows, faults, target))
    batches_left = len(target.months) - 1 - pl.col("since")
    later = pl.col("since") + 1 + (pl.col("roll") * batches_left).cast(pl.Int64)
    rows = _in_role(rows, Role.REFUSED).with_columns(
        replaces=replaces,
        lacks_date=pl.Series(alone & dated & happens(rng, ANOTHER_FAULT, rows.height)),
        position=pl.Series(rng.random(rows.height) * height),
        since=pl.when(replaces).then(later).otherwise("since"),
    )
    rows = _with_new_ids(rows.with_columns(until=pl.col("since") + 1), target)
    twins = rows.filter(pl.Series(~alone)).with_columns(second=pl.lit(value=True))
    spoilt = _overwritten(pl.concat([rows, twins]), target).select(columns)
    content = ["since", *(column.name for column in target.kind.columns)]
    return spoilt.unique(content, keep="first", maintain_order=True)  # else some are repeats


def _replacing(
    rng: np.random.Generator, rows: pl.DataFrame, faults: list[Fault], target: Target
) -> Booleans:
    """Which refused rows come in a later batch, under the id of a row that has no newer version."""
    if target.full or target.kind is TEMPERATURES:
        return np.zeros(rows.height, dtype=np.bool_)
    possible: Booleans = np.array(
        [fault.twin is Twin.NONE and fault.cell not in target.kind.grain for fault in faults],
        dtype=np.bool_,
    )
    only_version = (rows["until"] == FOREVER) & (rows["since"] < len(target.months) - 1)
    possible &= only_version.to_numpy()
    return possible & happens(rng, REPLACES, rows.height)


def _with_new_ids(rows: pl.DataFrame, target: Target) -> pl.DataFrame:
    """Ids that no other row has, but where a row is to replace another."""
    if target.kind is TEMPERATURES:
        return rows
    key = target.kind.grain[0]
    fresh = pl.format("{}x{}", pl.lit(key[0]), pl.int_range(pl.len()) + target.first_id)
    return rows.with_columns(pl.when("replaces").then(key).otherwise(fresh).alias(key))


def _assigned(
    rng: np.random.Generator, rows: pl.DataFrame, target: Target, *, refuses: bool
) -> tuple[pl.DataFrame, list[Fault]]:
    """The rows with a fault each: all faults in turn, or the next one that fits the row."""
    able = np.array([n for n, fault in enumerate(target.faults) if fault.refuses == refuses])
    fits = rows.select(
        target.faults[n].fits.fill_null(value=False).alias(str(n)) for n in able
    ).to_numpy()
    first = rng.permutation(rows.height) + rng.integers(len(able))
    turns = (first[:, None] + np.arange(len(able))) % len(able)
    fitting = np.take_along_axis(fits, turns, axis=1)
    turn = turns[np.arange(rows.height), fitting.argmax(axis=1)]
    rows = rows.with_columns(
        fault=pl.Series(able[turn]),
        roll=pl.Series(rng.random(rows.height)),
        second=pl.lit(value=False),
    ).filter(pl.Series(fits.any(axis=1)))
    return rows, [target.faults[n] for n in rows["fault"]]


def _overwritten(rows: pl.DataFrame, target: Target) -> pl.DataFrame:
    """Put each row's fault into its cell; of twins into the second row's alone."""
    batch = (
        np.full(rows.height, len(target.months) - 1) if target.full else rows["since"].to_numpy()
    )
    last_day = target.months.starts[batch + 1] - 1
    rows = rows.with_columns(last_day=pl.Series(last_day, dtype=pl.Int32).cast(pl.Date))
    cells = {column.name: pl.col(column.name) for column in target.kind.columns}
    for n, fault in enumerate(target.faults):
        here = pl.col("fault") == n
        if fault.twin is not Twin.NONE:
            here &= pl.col("second")
        cells[fault.cell] = pl.when(here).then(fault.text).otherwise(cells[fault.cell])
        if fault.twin is Twin.OTHER_EYE:
            right, left = (pl.lit(eye) for eye in SINGLE_EYES)
            sides = pl.when("second").then(left).otherwise(right)
            cells["eye"] = pl.when(pl.col("fault") == n).then(sides).otherwise(cells["eye"])
    if target.own_date:
        cells[target.own_date] = pl.when(~pl.col("lacks_date")).then(cells[target.own_date])
    return rows.with_columns(cell.alias(name) for name, cell in cells.items())


def _in_role(rows: pl.DataFrame, role: Role) -> pl.DataFrame:
    return rows.with_columns(role=pl.lit(int(role), rows.schema["role"]))
