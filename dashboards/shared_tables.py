"""The cohort tables as they may leave a clinic: how each adds up, and what is hidden of it.

Shared rows are totals, or broken down by one thing (by grade, or by protocol): the finer ones would
be nearly all hidden, and so would the coarser ones, which they help to work out. Some tables are
not shared at all. That the same patient is counted in two releases, one month apart, is beyond this
module.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import groupby, pairwise
from typing import Any, TypeAlias

import polars as pl

from dashboards.hidden_counts import Cell, Mark, Sum, hidden
from dashboards.words import DELIVERY, DELIVERY_MARKS
from ingest.contract import PLANS

TOTAL = "all"
HIDDEN_COLUMN = "hidden"
BROKEN_DOWN_AT_MOST = 1
WORTH = (10**12, 1)  # of a count by the number of breakdowns: totals are hidden last,
TIMES_THE_NEXT = 4  # and of a row's counts those that readers need most
NOT_SHARED = {
    "recall_due": "one row per patient, for the clinic itself",
    "late_sessions": "one row per patient, for the clinic itself",
    "month_summary": "a clinic's own month, shown on its pages",
    "month_outcomes": "a clinic's own month, shown on its pages",
    "month_home_care": "a clinic's own month, shown on its pages",
    "month_records": "a clinic's own month, shown on its pages",
    "broken_off": "a clinic's own month, shown on its pages",
    "durability": "each day's step of a curve is a count of one or two",
    "maintenance_return": "each day's step of a curve is a count of one or two",
    "protocol_comparison": "rates of pairs give their counts back",
    "band_homogeneity": "of the same pairs",
    "safety_by_device": "a device is one clinic's own, shown on its pages",
    "site_comparison": "observed and expected of each site give its counts back",
}

Row: TypeAlias = dict[str, Any]


@dataclass(frozen=True)
class Stock:
    """A count that falls along a column by those who leave, as at each session number."""

    count: str
    along: str
    leaving: tuple[str, ...]


@dataclass(frozen=True)
class Shape:
    """How a cohort table adds up.

    breakdowns: columns whose row `all` is the sum over their other values.
    apart: the other columns of the grain.
    counts: the counts, those that readers need most first.
    wholes: of a count, the counts that are parts of it, once for each way to divide it.
    estimates: what is worked out from counts, and so would give them back.
    shares: a share that is published without its own count, and the count it is a share of.
    curves: estimates that a row's count enters together with those of all rows before it.
    alike: counts that are the same whatever these columns say.
    part_along: columns of which the table holds one value only, so that each count is a part of
        the count that other tables give over all of them.
    known_as: counts that other tables know under another name, or that share one by accident.
    fixed: what is true of all rows and is told by a column in other tables.
    """

    breakdowns: tuple[str, ...]
    counts: tuple[str, ...]
    apart: tuple[str, ...] = ()
    wholes: tuple[tuple[str, tuple[str, ...]], ...] = ()
    estimates: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    shares: Mapping[str, str] = field(default_factory=dict)
    curves: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    stock: Stock | None = None
    part_along: tuple[str, ...] = ()
    alike: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    known_as: Mapping[str, str] = field(default_factory=dict)
    fixed: Mapping[str, str] = field(default_factory=dict)

    @property
    def numbers(self) -> tuple[str, ...]:
        """Columns that hiding may empty."""
        return (*self.counts, *self.shares, *self.estimates, *self.curves)


def _limits(name: str, share: str, made_of: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
    return dict.fromkeys((share, f"{name}_low", f"{name}_high"), made_of)


_RESPONSE_WHOLES = (
    ("courses", ("not_applicable", "not_measured", "evaluable")),
    ("evaluable", ("responders",)),
    ("evaluable", ("responders", "unchanged", "worsened")),
)
_GRADED = ("grade", "site", "protocol", "course_kind")
_INTERVALS = ("early", "on_time", "late", "overdue", "due", "not_due", "new_course")
_ONCE_RECOMMENDED = ("recommended", "accepted", "declined", "deferred")
_NOT_STARTED = tuple(
    f"not_started_{code}" for code in (*PLANS.column("decision").codes, "undecided")
)
_ENDS = tuple(f"end_{code}" for code in (*PLANS.column("end_reason").codes, "unknown"))

SHAPES: Mapping[str, Shape] = {
    "response_by_grade": Shape(
        breakdowns=(*_GRADED, "period"),
        apart=("rule", "unit", "grading"),
        counts=(
            *("courses", "evaluable", "responders", "patients", "not_measured"),
            *("not_applicable", "unchanged", "worsened"),
        ),
        wholes=_RESPONSE_WHOLES,
        estimates={
            **_limits("rate", "response_rate", ("responders", "evaluable", "patients")),
            "rate_if_missing_failed": ("responders", "courses", "not_applicable"),
            "rate_if_missing_responded": (
                *("responders", "not_measured", "courses", "not_applicable"),
            ),
            "rate_by_noise": ("evaluable",),
            "mean_improvement": ("evaluable", "patients"),
            "median_improvement": ("evaluable", "patients"),
            "regression_alone": ("evaluable",),
        },
        shares={"other_treatment": "evaluable"},
        alike={"courses": ("rule",), "patients": ("rule", "unit")},
    ),
    "response_at_session": Shape(
        breakdowns=_GRADED,
        apart=("rule", "grading", "session_number"),
        counts=("begun", "responding", "treated", "measured", "stopped", "worsened"),
        wholes=(
            ("begun", ("treated",)),
            ("begun", ("stopped",)),
            ("begun", ("treated", "stopped")),  # all of them, where each plan is its protocol's
            ("begun", ("responding",)),
            ("treated", ("measured",)),
            ("measured", ("responding", "worsened")),
        ),
        estimates=_limits("share", "response_share", ("responding", "begun")),
        alike={"begun": ("session_number",)},
    ),
    "sessions_to_response": Shape(
        breakdowns=_GRADED,
        apart=("rule", "grading", "session_number"),
        counts=("at_risk", "responded", "stopped", "censored"),
        stock=Stock("at_risk", "session_number", ("responded", "stopped", "censored")),
        curves={
            **_limits("not_yet", "not_yet", ("at_risk", "responded")),
            "not_yet_se": ("at_risk", "responded"),
            "responded_by": ("at_risk", "responded"),
            **_limits("incidence", "incidence", ("at_risk", "responded", "stopped")),
        },
        known_as={"stopped": "stopped_before_response"},
    ),
    "maintenance_adherence": Shape(
        breakdowns=("site", "protocol", "grade"),
        counts=("intervals", "judged", *_INTERVALS),
        wholes=(("intervals", _INTERVALS), ("intervals", ("judged",))),
        estimates=dict.fromkeys(("adherence_low", "adherence_high"), ("adherence", "judged")),
        shares={"adherence": "judged"},
    ),
    "course_funnel": Shape(
        breakdowns=("site", "month"),
        counts=(
            *("started", "assessed", "recommended", "accepted", "completed", "stopped"),
            *_ENDS,
        ),
        wholes=(
            ("started", ("completed",)),
            ("started", ("stopped",)),
            ("started", ("completed", "stopped")),
            ("recommended", ("accepted",)),
            ("stopped", _ENDS),
        ),
        known_as={
            "completed": "completed_of_started",
            "stopped": "stopped_of_started",
        },
    ),
    "leaving": Shape(
        breakdowns=("site",),
        counts=(
            *("assessed", "started", "completed", "accepted", "recommended", "stopped"),
            *("in_progress", *_NOT_STARTED, *_ENDS),
        ),
        wholes=(
            ("assessed", ("recommended",)),
            ("recommended", ("accepted",)),
            ("recommended", tuple(f"not_started_{code}" for code in _ONCE_RECOMMENDED)),
            ("accepted", ("not_started_accepted",)),
            ("assessed", ("started", *_NOT_STARTED)),
            ("started", ("completed", "in_progress", "stopped")),
            ("stopped", _ENDS),
        ),
        known_as={
            "completed": "completed_of_assessed",
            "stopped": "stopped_of_assessed",
            "started": "started_of_assessed",
            **{end: f"{end}_of_assessed" for end in _ENDS},
        },
        fixed={"unit": "patient"},
    ),
    "waiting_times": Shape(
        breakdowns=("site",),
        apart=("step",),
        counts=("waits",),
        estimates=dict.fromkeys(("quarter_days", "median_days", "three_quarters_days"), ("waits",)),
    ),
    "delivery": Shape(
        breakdowns=("site", "protocol", "month"),
        counts=(
            "session_eyes",
            *(f"{check}_recorded" for check in DELIVERY),
            *DELIVERY_MARKS,
        ),
        wholes=(
            *(("session_eyes", (f"{check}_recorded",)) for check in DELIVERY),
            *((f"{check}_recorded", (f"{check}_share",)) for check in DELIVERY),
            *(("session_eyes", (mark,)) for mark in DELIVERY_MARKS),
        ),
        estimates={"median_cem43": ("session_eyes",)},
        shares={f"{check}_share": f"{check}_recorded" for check in DELIVERY},
    ),
    "safety": Shape(
        breakdowns=("site", "protocol", "month", "event", "severity"),
        counts=("asked", "sessions", "events", "serious"),
        wholes=(("sessions", ("asked",)), ("events", ("serious",))),
        estimates=_limits("rate", "rate_per_100", ("events", "asked")),
        alike=dict.fromkeys(("asked", "sessions"), ("event", "severity")),
    ),
    "months_side_by_side": Shape(
        breakdowns=("site",),
        apart=("month",),
        counts=(
            *("sessions", "asked", "new_courses", "evaluable", "responders", "events"),
            *("completed", "stopped", "matured", "session_eyes", "in_band_recorded"),
        ),
        wholes=(
            ("sessions", ("asked",)),
            ("matured", ("evaluable",)),
            ("evaluable", ("responders",)),
            ("session_eyes", ("in_band_recorded",)),
            ("in_band_recorded", ("in_band_share",)),
        ),
        estimates={"response_rate": ("responders", "evaluable")},
        shares={"in_band_share": "in_band_recorded"},
        part_along=("month",),
        known_as={
            "new_courses": "started",
            "completed": "completed_in_month",
            "stopped": "known_as_stopped",
        },
    ),
    "home_care": Shape(
        breakdowns=_GRADED,
        counts=("courses", "measured", "halved"),
        wholes=(("courses", ("measured",)), ("measured", ("halved",))),
        estimates={
            **_limits("share", "halved_share", ("halved", "measured")),
            "median_minutes_before": ("measured",),
            "median_minutes_after": ("measured",),
        },
        known_as={"measured": "minutes_measured"},
        fixed={"unit": "course", "grading": "symptoms"},
    ),
    # The same cells as those of response_by_grade and response_at_session, by the symptoms rule.
    "expected_course": Shape(
        breakdowns=("grade",),
        counts=(
            *("courses", "evaluable", "responders", "not_measured", "stopped"),
            *("unchanged", "worsened"),
        ),
        wholes=(
            ("courses", ("not_measured", "evaluable")),
            ("courses", ("stopped",)),
            ("evaluable", ("responders", "unchanged", "worsened")),
        ),
        estimates={
            "better_share": ("responders", "courses"),
            "unchanged_share": ("unchanged", "courses"),
            "worsened_share": ("worsened", "courses"),
            "not_measured_share": ("not_measured", "courses"),
            "stopped_share": ("stopped", "courses"),
            **dict.fromkeys(("sessions_low", "sessions_median", "sessions_high"), ("courses",)),
        },
        alike={"courses": ("rule",)},
        known_as={"stopped": "stopped_of_mature"},
        fixed={"rule": "symptoms", "unit": "course", "grading": "symptoms"},
    ),
    "expected_at_session": Shape(
        breakdowns=("grade",),
        apart=("session_number",),
        counts=("begun", "responding", "measured", "not_measured", "worsened", "unchanged"),
        wholes=(
            ("begun", ("measured", "not_measured")),
            ("measured", ("responding", "unchanged", "worsened")),
        ),
        estimates={
            **dict.fromkeys(("better_share", "better_low", "better_high"), ("responding", "begun")),
            "unchanged_share": ("unchanged", "begun"),
            "worsened_share": ("worsened", "begun"),
            "not_measured_share": ("not_measured", "begun"),
        },
        alike={"begun": ("session_number",)},
        fixed={"rule": "symptoms", "grading": "symptoms"},
    ),
    "felt_in_courses": Shape(
        breakdowns=("grade",),
        apart=("event",),
        counts=("asked", "felt", "courses"),
        wholes=(("courses", ("asked",)), ("asked", ("felt",))),
        estimates=dict.fromkeys(("felt_share", "share_low", "share_high"), ("felt", "asked")),
        alike=dict.fromkeys(("asked", "courses"), ("event",)),
        known_as={"asked": "courses_asked"},
        fixed={"unit": "course", "grading": "symptoms"},
    ),
    "dose_response": Shape(
        breakdowns=("site", "protocol"),
        apart=("rule", "dose_quarter"),
        counts=("evaluable", "responders"),
        wholes=(("evaluable", ("responders",)),),
        estimates={
            **_limits("rate", "response_rate", ("responders", "evaluable")),
            "seconds_from": ("evaluable",),
            "seconds_to": ("evaluable",),
        },
    ),
    "follow_up_completeness": Shape(
        breakdowns=("site", "protocol"),
        counts=("courses", "seen"),
        wholes=(("courses", ("seen",)),),
        estimates=dict.fromkeys(("observed_days", "potential_days", "completeness"), ("seen",)),
        fixed={"unit": "course"},
    ),
}


class SharedTables:
    """The cohort tables with counts hidden, for pages and files that leave a clinic."""

    def __init__(self, tables: Mapping[str, pl.DataFrame], below: int) -> None:
        """Hide counts below `below` in all tables that may be shared, as one system.

        Args:
            tables: the cohort tables by name, with full counts; those without a shape stay
                with the clinics.
            below: counts from 1 to `below` - 1 are hidden.
        """
        counts: dict[Cell, int] = {}
        sums: list[Sum] = []
        cells: dict[str, list[dict[str, Cell]]] = {}
        tables = {name: tables[name] for name in SHAPES if name in tables}
        kept = {name: _shared_rows(table, SHAPES[name]) for name, table in tables.items()}
        for name, rows in kept.items():
            cells[name] = [_cells(name, row, counts) for row in rows]
            sums += _sums(SHAPES[name], rows, cells[name])
            sums += _sums_with_the_rest(SHAPES[name], cells[name])
        marks = hidden(counts, sums, below)
        self._schemas = {name: table.schema for name, table in tables.items()}
        self._rows = {
            name: _with_marks(SHAPES[name], rows, cells[name], marks) for name, rows in kept.items()
        }

    def find(self, table: str, **where: object) -> list[Row]:
        """Rows whose columns equal `where`, in the table's order; a hidden number is its Mark."""
        return [
            row
            for row in self._rows[table]
            if all(row[column] == value for column, value in where.items())
        ]

    def frames(self) -> Iterator[tuple[str, pl.DataFrame]]:
        """Each table for its file: hidden numbers are null, `hidden` says that a row has some."""
        for name, rows in self._rows.items():
            emptied = [
                {column: None if isinstance(v, Mark) else v for column, v in row.items()}
                for row in rows
            ]
            frame = pl.DataFrame(emptied, schema=self._schemas[name])
            is_hidden = [any(isinstance(v, Mark) for v in row.values()) for row in rows]
            yield name, frame.with_columns(pl.Series(HIDDEN_COLUMN, is_hidden, dtype=pl.Boolean))


def _shared_rows(table: pl.DataFrame, shape: Shape) -> list[Row]:
    broken_down = pl.sum_horizontal(
        (pl.col(column) != TOTAL).cast(pl.Int64) for column in shape.breakdowns
    )
    return table.filter(broken_down <= BROKEN_DOWN_AT_MOST).to_dicts()


def _cells(table: str, row: Row, counts: dict[Cell, int]) -> dict[str, Cell]:
    """The row's counts as cells, entered in `counts`; null is no count."""
    shape = SHAPES[table]
    place = _place(shape, row)
    broken_down_by = sum(row[column] != TOTAL for column in shape.breakdowns)
    cells = {}
    for rank, column in enumerate(reversed((*shape.counts, *shape.shares)), start=1):
        count = _count(shape, row, column)
        if count is not None:
            worth = TIMES_THE_NEXT**rank * WORTH[broken_down_by]
            cell = Cell(_name(shape, column, place), worth)
            if counts.setdefault(cell, count) != count:  # alike by name, yet not in fact
                cell = replace(cell, name=(table, column, *map(str, place.items())))
                counts[cell] = count
            cells[column] = cell
    return cells


def _count(shape: Shape, row: Row, column: str) -> int | None:
    if column in shape.shares and row[column] is not None:
        share: float = row[column]
        of: int = row[shape.shares[column]]
        return round(share * of)
    count: int | None = row[column]
    return count


def _place(shape: Shape, row: Row) -> dict[str, str]:
    """What tells the row from others; a total over grades is the same whatever the grading."""
    place = {column: str(row[column]) for column in (*shape.apart, *shape.breakdowns)}
    place |= shape.fixed
    if place.get("grade") == TOTAL:
        place.pop("grading", None)
    return {column: value for column, value in place.items() if value != TOTAL}


def _name(shape: Shape, column: str, place: Mapping[str, str]) -> tuple[str, ...]:
    name, alike = shape.known_as.get(column, column), shape.alike.get(column, ())
    return (name, *(f"{c}={value}" for c, value in sorted(place.items()) if c not in alike))


def _sums(shape: Shape, rows: list[Row], cells: list[dict[str, Cell]]) -> Iterator[Sum]:
    for row_cells in cells:
        for whole, parts in shape.wholes:
            yield from _sum(row_cells, whole, [row_cells.get(part) for part in parts])
    by_place = {tuple(sorted(_place(shape, row).items())): i for i, row in enumerate(rows)}
    for column in shape.breakdowns:
        yield from _sums_over(shape, column, rows, cells, by_place)
    if shape.stock:
        yield from _sums_along(shape, shape.stock, rows, cells)


def _sum(whole_row: Mapping[str, Cell], whole: str, parts: list[Cell | None]) -> Iterator[Sum]:
    known = tuple(dict.fromkeys(part for part in parts if part is not None))
    if whole in whole_row and known:
        yield Sum(whole_row[whole], known)


def _sums_over(
    shape: Shape,
    column: str,
    rows: list[Row],
    cells: list[dict[str, Cell]],
    by_place: Mapping[tuple[tuple[str, str], ...], int],
) -> Iterator[Sum]:
    """The row `all` of a breakdown as the sum of its other rows."""

    def total(row: Row) -> tuple[tuple[str, str], ...]:
        return tuple(sorted(_place(shape, {**row, column: TOTAL}).items()))

    def family(i: int) -> tuple[tuple[tuple[str, str], ...], str]:
        return (total(rows[i]), rows[i].get("grading", "") if column == "grade" else "")

    members = sorted((i for i, row in enumerate(rows) if row[column] != TOTAL), key=family)
    for (place, _), children in groupby(members, key=family):
        siblings = list(children)
        if place in by_place:
            whole_row = cells[by_place[place]]
            for count in (*shape.counts, *shape.shares):
                if column not in shape.alike.get(count, ()):
                    yield from _sum(whole_row, count, [cells[i].get(count) for i in siblings])


def _sums_along(
    shape: Shape, stock: Stock, rows: list[Row], cells: list[dict[str, Cell]]
) -> Iterator[Sum]:
    """What is in stock as what leaves now and what is in stock at the next step."""
    for now, then in _neighbours(shape, stock.along, rows):
        leaving = [cells[now].get(count) for count in stock.leaving]
        yield from _sum(cells[now], stock.count, [*leaving, cells[then].get(stock.count)])


def _sums_with_the_rest(shape: Shape, cells: list[dict[str, Cell]]) -> Iterator[Sum]:
    """What a table holds of one value only is a part of what others give over all values."""
    for row_cells in cells:
        for cell in row_cells.values():
            whole = tuple(part for part in cell.name if part.split("=")[0] not in shape.part_along)
            if whole != cell.name:
                yield Sum(Cell(whole), (cell,))


def _neighbours(shape: Shape, along: str, rows: list[Row]) -> Iterator[tuple[int, int]]:
    grain = [column for column in (*shape.apart, *shape.breakdowns) if column != along]
    key = [(*(row[column] for column in grain), row[along]) for row in rows]
    order = sorted(range(len(rows)), key=key.__getitem__)
    for now, then in pairwise(order):
        if key[now][:-1] == key[then][:-1]:
            yield now, then


def _with_marks(
    shape: Shape, rows: list[Row], cells: list[dict[str, Cell]], marks: Mapping[Cell, Mark]
) -> list[Row]:
    """The rows with a Mark for every number that is hidden."""
    marked = []
    for row, row_cells in zip(rows, cells, strict=True):
        found = {column: marks[cell] for column, cell in row_cells.items() if cell in marks}
        for estimate, made_of in shape.estimates.items():
            if row[estimate] is not None and not found.keys().isdisjoint(made_of):
                found[estimate] = Mark.COMPANION
        found |= {share: Mark.COMPANION for share in shape.shares if share in found}
        marked.append(row | found)
    if shape.stock:
        _mark_curves(shape, shape.stock, marked)
    return marked


def _mark_curves(shape: Shape, stock: Stock, rows: list[Row]) -> None:
    """From the first hidden count on, a curve would give it back."""
    for row in rows:
        for estimate, made_of in shape.curves.items():
            if row[estimate] is not None and any(isinstance(row[c], Mark) for c in made_of):
                row[estimate] = Mark.COMPANION
    for now, then in _neighbours(shape, stock.along, rows):
        for estimate in shape.curves:
            if isinstance(rows[now][estimate], Mark) and rows[then][estimate] is not None:
                rows[then][estimate] = Mark.COMPANION
