"""Figures in one look. They draw numbers of the warehouse and work none out.

Where no number is there to draw, there is no figure: an empty chart looks like a result.

A figure is what plotly draws, but for its looks: each of its traces names one, and charts.js says
what that is, in the colours of the style sheet. Looks stand for one meaning each; shapes and words
say the same as colours.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from textwrap import wrap
from typing import Any, TypeAlias

Drawn: TypeAlias = int | float | None
Figure: TypeAlias = dict[str, Any]

OUTCOMES = {
    "better": "better",
    "unchanged": "unchanged",
    "worse": "worse",
    "not-better": "unchanged or worse, not told apart",
    "not-measured": "not measured",
}
SEVERAL = 6  # looks there are for lines, bars or marks beside one another
NESTED = 4  # looks there are for bars within bars, the innermost last
LINE_PX = 18  # of a row's label
BETWEEN_ROWS_PX = 12
LABEL_WIDTH = 20  # characters
AIR = 1.04  # of an axis beyond its last value, so that nothing ends on the edge
MONTH = re.compile(r"([A-Z][a-z]{2}) (\d{4})")


@dataclass(frozen=True)
class Dot:
    """One row of a dot chart: a figure with its limits, perhaps within wider bounds.

    `note` stands under the label. `solid` is False where the figure is no answer to go by;
    `chance` is what chance alone would give.
    """

    label: str
    note: str
    value: Drawn
    low: Drawn
    high: Drawn
    bounds: tuple[Drawn, Drawn] = (None, None)
    solid: bool = True
    chance: Drawn = None


@dataclass(frozen=True)
class Stack:
    """One row of stacked bars: counts of outcomes, None where one is hidden.

    Where only how the unchanged and the worse divide is hidden, both are one part of the bar: what
    the better leave of the measured.
    """

    label: str
    note: str
    better: Drawn
    unchanged: Drawn
    worse: Drawn
    not_measured: Drawn
    measured: Drawn

    @property
    def parts(self) -> tuple[Drawn, ...]:
        """In the order of `OUTCOMES`."""
        if self.better is None or self.measured is None or None not in (self.unchanged, self.worse):
            return (self.better, self.unchanged, self.worse, 0, self.not_measured)
        return (self.better, 0, 0, self.measured - self.better, self.not_measured)


@dataclass(frozen=True)
class Several:
    """One row with several marks, each named and shaped alike in every row."""

    label: str
    note: str
    values: tuple[Drawn, ...]


@dataclass(frozen=True)
class Dumbbell:
    """One row of a dumbbell chart: two figures, the distance between which is what counts."""

    label: str
    note: str
    first: Drawn
    second: Drawn


@dataclass(frozen=True)
class Line:
    """One line over the same steps as its neighbours, with limits at each step if there are."""

    label: str
    values: Sequence[Drawn]
    low: Sequence[Drawn] = ()
    high: Sequence[Drawn] = ()


@dataclass(frozen=True)
class ControlPoint:
    """One month of a control chart: its share, the level before it and the limits of chance.

    `beyond` is None where too few were measured to judge.
    """

    value: Drawn
    level: Drawn
    low: Drawn
    high: Drawn
    beyond: bool | None


def dots(
    rows: Sequence[Dot],
    axis: str,
    look: str = "seen",
    upto: float | None = 100,
    *,
    value_is: str = "seen",
    limits_are: str = "95 % limits",
    bounds_are: str = "bounds for those not measured",
    chance_is: str = "with no change at all",
    level_at: float | None = None,
) -> Figure | None:
    """Rows from top to bottom; a line for the limits, a pale band for the bounds.

    `look` is `seen` or `harm`; `level_at` is where all would lie if they were alike.
    """
    ends = [end for row in rows for end in (row.value, row.low, row.high, row.chance)]
    if not _any_known(ends):
        return None
    labels = [_in_lines(row.label, row.note) for row in rows]
    labelled = list(zip(labels, rows, strict=True))
    traces = [
        _segments("bounds", bounds_are, [(label, row.bounds) for label, row in labelled]),
        _segments(
            f"{look}-limits", limits_are, [(lb, (row.low, row.high)) for lb, row in labelled]
        ),
        *(
            _marks(kind, name, [(lb, row.value) for lb, row in labelled if row.solid is solid])
            for solid, kind, name in (
                (True, look, value_is),
                (False, f"{look}-hollow", "too few measured to go by"),
            )
        ),
        _marks("chance", chance_is, [(label, row.chance) for label, row in labelled]),
    ]
    bounds = [end for row in rows if None not in row.bounds for end in row.bounds]
    return _figure(
        [trace for trace in traces if _any_known(trace["x"])],
        height=130 + _height(labels),
        xaxis=_axis(axis) | _from_zero(upto, [*ends, *bounds]),
        yaxis=_rows(labels),
        **({} if level_at is None else {"level": level_at}),
    )


def stacks(rows: Sequence[Stack], axis: str) -> Figure | None:
    """Rows from top to bottom, each a bar of all its parts, drawn as so many of its hundred.

    A row with a part that is hidden is not drawn.
    """
    shown = [row for row in rows if None not in row.parts and any(row.parts)]
    if not shown:
        return None
    labels = [_in_lines(row.label, row.note) for row in shown]
    traces = [
        {
            "type": "bar",
            "look": outcome,
            "name": name,
            "x": [row.parts[place] for row in shown],
            "y": labels,
            "text": [str(row.parts[place] or "") for row in shown],
        }
        for place, (outcome, name) in enumerate(OUTCOMES.items())
        if outcome != "not-better" or any(row.parts[place] for row in shown)
    ]
    return _figure(
        traces,
        height=110 + _height(labels),
        barmode="stack",
        barnorm="percent",
        bargap=0.35,
        xaxis=_axis(axis) | {"range": [0, 100]},
        yaxis=_rows(labels),
    )


def several(rows: Sequence[Several], names: Sequence[str], axis: str) -> Figure | None:
    """Rows from top to bottom, each with several marks from 0 to 100."""
    if not _any_known([value for row in rows for value in row.values]):
        return None
    labels = [_in_lines(row.label, row.note) for row in rows]
    return _figure(
        [
            _marks(
                f"mark-{place + 1}",
                name,
                [(label, row.values[place]) for label, row in zip(labels, rows, strict=True)],
            )
            for place, name in enumerate(names)
        ],
        height=150 + _height(labels),
        xaxis=_axis(axis) | _from_zero(100),
        yaxis=_rows(labels) | {"showgrid": True},
    )


def levels(rows: Sequence[tuple[str, Drawn]], axis: str) -> Figure | None:
    """Counts from top to bottom, one bar a row, with its number; none and hidden ones have none."""
    shown = [(_in_lines(label), value) for label, value in rows if value]
    if not shown:
        return None
    bars_ = {
        "type": "bar",
        "look": "level",
        "x": [value for _, value in shown],
        "y": [label for label, _ in shown],
        "text": [str(value) for _, value in shown],
    }
    return _figure(
        [bars_],
        height=80 + 40 * len(shown),
        bargap=0.35,
        margin={"r": 48},
        xaxis=_axis(axis) | {"rangemode": "tozero"},
        yaxis=_rows([label for label, _ in shown]),
    )


def dumbbells(rows: Sequence[Dumbbell], names: tuple[str, str], axis: str) -> Figure:
    """Rows from top to bottom, each two marks with a bar between them."""
    labels = [_in_lines(row.label, row.note) for row in rows]
    labelled = list(zip(labels, rows, strict=True))
    return _figure(
        [
            _segments("between", "", [(label, (row.first, row.second)) for label, row in labelled]),
            _marks("reference", names[0], [(label, row.first) for label, row in labelled]),
            _marks("seen", names[1], [(label, row.second) for label, row in labelled]),
        ],
        height=130 + _height(labels),
        xaxis=_axis(axis) | _from_zero(100),
        yaxis=_rows(labels),
    )


def lines(
    steps: Sequence[str | int],
    rows: Sequence[Line],
    step_axis: str,
    axis: str,
    upto: float | None,
    *,
    joined: bool = False,
) -> Figure | None:
    """Lines from step to step; limits as upright strokes.

    `joined`: over steps without a figure, too.
    """
    ends = [end for row in rows for end in (*row.values, *row.high)]
    if not _any_known(ends):
        return None
    traces = []
    for place, row in enumerate(rows):
        number = place % SEVERAL + 1
        if _any_known(row.low):
            traces.append(_strokes(steps, row, f"stroke-{number}"))
        traces.append(
            {
                "type": "scatter",
                "look": f"line-{number}",
                "name": as_text(row.label),
                "x": list(steps),
                "y": list(row.values),
                **({"connectgaps": True} if joined else {}),
            }
        )
    return _figure(
        traces,
        height=360,
        xaxis=_axis(step_axis) | _ticks(steps) | {"showgrid": False},
        yaxis=_axis(axis) | _from_zero(upto, ends),
    )


def control_chart(
    steps: Sequence[str], points: Sequence[ControlPoint], step_axis: str, axis: str
) -> Figure | None:
    """A share month by month with its level and its limits, which differ from month to month.

    What lies beyond the limits has a shape of its own, what is not judged is hollow.
    """
    if not _any_known([point.value for point in points]):
        return None

    def trace(look: str, name: str, values: Sequence[Drawn], **more: object) -> Figure:
        return {
            "type": "scatter",
            "look": look,
            "name": name,
            "x": list(steps),
            "y": list(values),
            **more,
        }

    symbols = ["circle-open" if point.beyond is None else "circle" for point in points]
    beyond = [point.value if point.beyond else None for point in points]
    traces = [
        trace("control-limits", "limits of chance", [point.low for point in points]),
        trace("control-limits", "", [point.high for point in points], showlegend=False),
        trace("control-level", "twelve months before", [point.level for point in points]),
        trace(
            "control",
            "each month",
            [point.value for point in points],
            marker={"symbol": symbols},
        ),
    ]
    if _any_known(beyond):
        traces.append(trace("control-beyond", "beyond the limits", beyond))
    return _figure(
        traces,
        height=340,
        xaxis=_axis(step_axis) | _ticks(steps) | {"showgrid": False},
        yaxis=_axis(axis) | _from_zero(100),
    )


def nested_bars(
    steps: Sequence[str | int],
    parts: Sequence[tuple[str, Sequence[Drawn]]],
    step_axis: str,
    axis: str,
) -> Figure | None:
    """Bars inside bars, widest first: each count is a part of the one around it."""
    if not _any_above_zero(parts):
        return None
    names = [str(step) for step in steps]
    return _figure(
        [
            {
                "type": "bar",
                "look": f"part-{NESTED - len(parts) + place + 1}",
                "name": as_text(name),
                "width": round(0.8 - 0.17 * place, 2),
                "x": names,
                "y": list(values),
            }
            for place, (name, values) in enumerate(parts)
        ],
        height=340,
        barmode="overlay",
        xaxis=_axis(step_axis) | _ticks(names) | {"showgrid": False},
        yaxis=_axis(axis) | _from_zero(),
    )


def bars(
    steps: Sequence[str],
    parts: Sequence[tuple[str, Sequence[Drawn]]],
    step_axis: str,
    axis: str,
) -> Figure | None:
    """Bars side by side."""
    if not _any_above_zero(parts):
        return None
    return _figure(
        [
            {
                "type": "bar",
                "look": f"bar-{place % SEVERAL + 1}",
                "name": as_text(name),
                "x": list(steps),
                "y": list(values),
            }
            for place, (name, values) in enumerate(parts)
        ],
        height=340,
        barmode="group",
        bargap=0.25,
        xaxis=_axis(step_axis) | _ticks(steps) | {"showgrid": False},
        yaxis=_axis(axis) | _from_zero(),
    )


def _in_lines(label: str, note: str = "") -> str:
    """A row's label in lines short enough for a phone, its note under it."""
    texts = [*wrap(label, LABEL_WIDTH), *([note] if note else [])]
    return "<br>".join(as_text(text) for text in texts)


def _marks(look: str, name: str, rows: Sequence[tuple[str, Drawn]]) -> Figure:
    return {
        "type": "scatter",
        "look": look,
        "name": as_text(name),
        "x": [value for _, value in rows],
        "y": [label for label, _ in rows],
    }


def _segments(look: str, name: str, rows: Sequence[tuple[str, tuple[Drawn, Drawn]]]) -> Figure:
    ends: list[Drawn] = []
    labels: list[str | None] = []
    for label, (low, high) in rows:
        if low is not None and high is not None:
            ends += [low, high, None]
            labels += [label, label, None]
    return {"type": "scatter", "look": look, "name": as_text(name), "x": ends, "y": labels}


def _strokes(steps: Sequence[str | int], row: Line, look: str) -> Figure:
    x: list[str | int | None] = []
    y: list[Drawn] = []
    for step, low, high in zip(steps, row.low, row.high, strict=True):
        if low is not None and high is not None:
            x += [step, step, None]
            y += [low, high, None]
    return {"type": "scatter", "look": look, "x": x, "y": y}


def _height(labels: Sequence[str]) -> int:
    """Pixels of rows that are all as high as the label of most lines needs."""
    lines = max((label.count("<br>") + 1 for label in labels), default=1)
    return (LINE_PX * lines + BETWEEN_ROWS_PX) * len(labels)


def _rows(labels: Sequence[str]) -> Figure:
    return {
        "categoryorder": "array",
        "categoryarray": list(reversed(labels)),
        "range": [-0.6, round(len(labels) - 0.4, 1)],
        "showgrid": False,
    }


def _axis(title: str) -> Figure:
    return {"title": {"text": title}}


def _from_zero(upto: float | None = None, ends: Sequence[Drawn] = ()) -> Figure:
    """From 0 to a little above `upto`, or else above the largest end that is drawn."""
    top = upto or max((end for end in ends if end is not None), default=None)
    return {"range": [0, top * AIR], "rangemode": "tozero"} if top else {"rangemode": "tozero"}


def _any_known(values: Sequence[Drawn]) -> bool:
    return any(value is not None for value in values)


def _any_above_zero(parts: Sequence[tuple[str, Sequence[Drawn]]]) -> bool:
    return any(value for _, values in parts for value in values)


def _ticks(steps: Sequence[str | int]) -> Figure:
    """Numbers as they are; names level, and of months the year only where it changes."""
    if _are_numbers(steps):
        return {"tickmode": "array", "tickvals": list(steps)}
    years = [MONTH.fullmatch(str(step)) for step in steps]
    named = {"type": "category", "tickangle": 0, "tickfont": {"size": 11}}
    if not all(years):
        return named
    texts = [
        f"{month[1]}<br>{month[2]}" if before is None or before[2] != month[2] else month[1]
        for before, month in pairwise([None, *years])
        if month
    ]
    return {**named, "tickmode": "array", "tickvals": list(steps), "ticktext": texts}


def _figure(traces: Sequence[Figure], height: int, **layout: object) -> Figure:
    return {"data": list(traces), "layout": {"height": height, **layout}}


def _are_numbers(steps: Sequence[str | int]) -> bool:
    return all(isinstance(step, int) for step in steps)


def as_text(text: str) -> str:
    """Text that stays text: plotly knows some markup, and templates in its hover texts."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace("%{", "% {")
