"""Plotly figures in one look. They draw numbers of the warehouse and work none out.

Where no number is there to draw, there is no figure: an empty chart looks like a result.

Colours are from the Okabe-Ito palette (from memory) and stand for one meaning each; shapes and
words say the same again.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from textwrap import wrap
from typing import Any, TypeAlias

import plotly.graph_objects as go

Drawn: TypeAlias = int | float | None

INK = "#24303a"
FAINT = "#d8d4c8"
BLUE = "#0072B2"  # what was seen
SKY = "#56B4E9"
GREEN = "#009E73"  # better
ORANGE = "#E69F00"
VERMILION = "#D55E00"  # harm
PURPLE = "#CC79A7"
SERIES = (BLUE, ORANGE, GREEN, PURPLE, SKY, VERMILION)
SYMBOLS = ("circle", "square", "diamond", "triangle-up", "x", "star")
ROW_PX = 48
TALL_ROW_PX = 66  # of a label in three lines
LABEL_WIDTH = 20  # characters
WIDE = 6  # a stroke from here on is a band
AIR = 1.04  # of an axis beyond its last value, so that nothing ends on the edge
MONTH = re.compile(r"([A-Z][a-z]{2}) (\d{4})")
FONT = {"family": "inherit", "size": 14, "color": INK}


@dataclass(frozen=True)
class Dot:
    """One row of a dot chart: a figure with its limits, perhaps within wider bounds.

    `note` stands under the label. `solid` is False where the figure is no answer to go by.
    """

    label: str
    note: str
    value: Drawn
    low: Drawn
    high: Drawn
    bounds: tuple[Drawn, Drawn] = (None, None)
    solid: bool = True


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
    colour: str = BLUE,
    upto: float | None = 100,
    *,
    limits_are: str = "95 % limits",
    bounds_are: str = "bounds for those not measured",
    level_at: float | None = None,
) -> dict[str, Any] | None:
    """Rows from top to bottom; a line for the limits, a pale band for the bounds.

    `level_at` is where all would lie if they were alike.
    """
    ends = [end for row in rows for end in (row.value, row.low, row.high)]
    if not _any_known(ends):
        return None
    rows = [replace(row, label=f"{as_text(row.label)}<br>{as_text(row.note)}") for row in rows]
    bounds = [(row.label, row.bounds) for row in rows if None not in row.bounds]
    limits = [(row.label, (row.low, row.high)) for row in rows]
    traces = [
        _segments(bounds_are, bounds, FAINT, 12),
        _segments(limits_are, limits, colour, 2),
        *(
            go.Scatter(
                x=[row.value for row in rows if row.solid is solid],
                y=[row.label for row in rows if row.solid is solid],
                mode="markers",
                cliponaxis=False,
                name=name,
                marker={
                    "symbol": "circle" if solid else "circle-open",
                    "size": 12,
                    "color": colour,
                    "line": {"width": 2, "color": colour},
                },
                hovertemplate="%{y}: %{x:.1f}<extra></extra>",
            )
            for solid, name in ((True, "seen"), (False, "too few measured to go by"))
        ),
    ]
    shown = [trace for trace in traces if any(x is not None for x in trace.x or ())]
    return _figure(
        shown,
        height=130 + ROW_PX * len(rows),
        xaxis=_axis(axis) | _from_zero(upto, [*ends, *(high for _, (_, high) in bounds)]),
        yaxis=_rows_axis([row.label for row in rows]),
        shapes=[] if level_at is None else [_level(level_at)],
    )


def dumbbells(rows: Sequence[Dumbbell], names: tuple[str, str], axis: str) -> dict[str, Any]:
    """Rows from top to bottom, each two marks with a bar between them."""
    labels = [
        "<br>".join(as_text(line) for line in (*wrap(row.label, LABEL_WIDTH), row.note))
        for row in rows
    ]
    bars = [(label, (row.first, row.second)) for label, row in zip(labels, rows, strict=True)]
    marks = [
        go.Scatter(
            x=values,
            y=labels,
            mode="markers",
            name=as_text(name),
            marker={
                "symbol": symbol,
                "size": 13,
                "color": colour,
                "line": {"width": 1, "color": INK},
            },
            hovertemplate="%{y}: %{x:.0f}<extra></extra>",
        )
        for name, values, symbol, colour in (
            (names[0], [row.first for row in rows], "square", ORANGE),
            (names[1], [row.second for row in rows], "circle", BLUE),
        )
    ]
    between = _segments("", bars, INK, 2).update(mode="lines", showlegend=False)
    return _figure(
        [between, *marks],
        height=130 + TALL_ROW_PX * len(rows),
        xaxis=_axis(axis) | _from_zero(100),
        yaxis=_rows_axis(labels),
    )


def lines(
    steps: Sequence[str | int],
    rows: Sequence[Line],
    step_axis: str,
    axis: str,
    upto: float | None,
    *,
    joined: bool = False,
) -> dict[str, Any] | None:
    """Lines from step to step; limits as upright strokes.

    `joined`: over steps without a figure, too.
    """
    ends = [end for row in rows for end in (*row.values, *row.high)]
    if not _any_known(ends):
        return None
    traces = []
    for place, row in enumerate(rows):
        colour = SERIES[place % len(SERIES)]
        if row.low:
            traces.append(_strokes(steps, row, colour))
        traces.append(
            go.Scatter(
                x=list(steps),
                y=list(row.values),
                name=as_text(row.label),
                mode="lines+markers",
                connectgaps=joined,
                cliponaxis=False,
                line={"color": colour, "width": 2},
                marker={"symbol": SYMBOLS[place % len(SYMBOLS)], "size": 9},
                hovertemplate=f"%{{x}}: %{{y:.1f}}<extra>{as_text(row.label)}</extra>",
            )
        )
    return _figure(
        traces,
        height=360,
        xaxis=_axis(step_axis) | _ticks(steps) | {"showgrid": False},
        yaxis=_axis(axis) | _from_zero(upto, ends),
    )


def control_chart(
    steps: Sequence[str], points: Sequence[ControlPoint], step_axis: str, axis: str
) -> dict[str, Any] | None:
    """A share month by month with its level and its limits, which differ from month to month.

    What lies beyond the limits has a shape of its own, what is not judged is hollow.
    """
    if not _any_known([point.value for point in points]):
        return None
    stairs = {"shape": "hvh", "color": INK}

    def line(name: str, values: Sequence[Drawn], *, shown: bool, dash: str) -> go.Scatter:
        return go.Scatter(
            x=list(steps),
            y=list(values),
            name=name,
            mode="lines",
            showlegend=shown,
            line={**stairs, "width": 1, "dash": dash},
            hoverinfo="skip",
        )

    beyond = [point.value if point.beyond else None for point in points]
    traces = [
        line("limits of chance", [point.low for point in points], shown=True, dash="dash"),
        line("", [point.high for point in points], shown=False, dash="dash"),
        line("twelve months before", [point.level for point in points], shown=True, dash="dot"),
        go.Scatter(
            x=list(steps),
            y=[point.value for point in points],
            name="each month",
            mode="lines+markers",
            cliponaxis=False,
            line={"color": BLUE, "width": 1},
            marker={
                "symbol": ["circle-open" if p.beyond is None else "circle" for p in points],
                "size": 9,
                "color": BLUE,
            },
            hovertemplate="%{x}: %{y:.0f}<extra></extra>",
        ),
    ]
    if _any_known(beyond):
        marker = {"symbol": "diamond", "size": 15, "color": ORANGE, "line": {"width": 2}}
        traces.append(
            go.Scatter(
                x=list(steps),
                y=beyond,
                name="beyond the limits",
                mode="markers",
                cliponaxis=False,
                marker=marker,
                hovertemplate="%{x}: %{y:.0f}<extra></extra>",
            )
        )
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
) -> dict[str, Any] | None:
    """Bars inside bars, widest first: each count is a part of the one around it."""
    if not _any_above_zero(parts):
        return None
    shades = ("#e4e1d6", "#b9d7e8", SKY, BLUE)[-len(parts) :]
    traces = [
        go.Bar(
            x=[str(step) for step in steps],
            y=list(values),
            name=as_text(name),
            width=0.8 - 0.17 * place,
            marker={"color": shades[place], "line": {"color": INK, "width": 0.6}},
            hovertemplate=f"%{{x}}: %{{y}} {as_text(name)}<extra></extra>",
        )
        for place, (name, values) in enumerate(parts)
    ]
    return _figure(
        traces,
        height=340,
        barmode="overlay",
        xaxis=_axis(step_axis) | _ticks([str(step) for step in steps]) | {"showgrid": False},
        yaxis=_axis(axis) | _from_zero(),
    )


def bars(
    steps: Sequence[str],
    parts: Sequence[tuple[str, Sequence[Drawn]]],
    step_axis: str,
    axis: str,
) -> dict[str, Any] | None:
    """Bars side by side."""
    if not _any_above_zero(parts):
        return None
    traces = [
        go.Bar(
            x=list(steps),
            y=list(values),
            name=as_text(name),
            marker={"color": SERIES[place], "line": {"color": INK, "width": 0.6}},
            hovertemplate=f"%{{x}}: %{{y}} {as_text(name)}<extra></extra>",
        )
        for place, (name, values) in enumerate(parts)
    ]
    return _figure(
        traces,
        height=340,
        barmode="group",
        bargap=0.25,
        xaxis=_axis(step_axis) | _ticks(steps) | {"showgrid": False},
        yaxis=_axis(axis) | _from_zero(),
    )


def _segments(
    name: str, rows: Sequence[tuple[str, tuple[Drawn, Drawn]]], colour: str, width: int
) -> go.Scatter:
    ends: list[Drawn] = []
    labels: list[str | None] = []
    for label, (low, high) in rows:
        if low is not None and high is not None:
            ends += [low, high, None]
            labels += [label, label, None]
    return go.Scatter(
        x=ends,
        y=labels,
        name=name,
        mode="lines+markers" if width < WIDE else "lines",
        line={"color": colour, "width": width},
        marker={"symbol": "line-ns-open", "size": 9, "color": colour, "line": {"width": width}},
        hoverinfo="skip",
    )


def _strokes(steps: Sequence[str | int], row: Line, colour: str) -> go.Scatter:
    x: list[str | int | None] = []
    y: list[Drawn] = []
    for step, low, high in zip(steps, row.low, row.high, strict=True):
        if low is not None and high is not None:
            x += [step, step, None]
            y += [low, high, None]
    return go.Scatter(
        x=x,
        y=y,
        mode="lines",
        line={"color": colour, "width": 1},
        showlegend=False,
        hoverinfo="skip",
    )


def _rows_axis(labels: Sequence[str]) -> dict[str, Any]:
    return {
        "categoryorder": "array",
        "categoryarray": list(reversed(labels)),
        "range": [-0.6, len(labels) - 0.4],
        "automargin": True,
        "ticks": "outside",
        "ticklen": 8,
        "tickcolor": "rgba(0,0,0,0)",
        "showgrid": False,
    }


def _level(at: float) -> dict[str, Any]:
    return {
        "type": "line",
        "yref": "paper",
        "x0": at,
        "x1": at,
        "y0": 0,
        "y1": 1,
        "line": {"color": INK, "width": 1, "dash": "dot"},
    }


def _axis(title: str) -> dict[str, Any]:
    return {
        "title": {"text": title, "standoff": 12},
        "gridcolor": FAINT,
        "zeroline": False,
        "automargin": True,
        "fixedrange": True,
    }


def _from_zero(upto: float | None = None, ends: Sequence[Drawn] = ()) -> dict[str, Any]:
    """From 0 to a little above `upto`, or else above the largest end that is drawn."""
    top = upto or max((end for end in ends if end is not None), default=None)
    return {"range": [0, top * AIR], "rangemode": "tozero"} if top else {"rangemode": "tozero"}


def _any_known(values: Sequence[Drawn]) -> bool:
    return any(value is not None for value in values)


def _any_above_zero(parts: Sequence[tuple[str, Sequence[Drawn]]]) -> bool:
    return any(value for _, values in parts for value in values)


def _ticks(steps: Sequence[str | int]) -> dict[str, Any]:
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


def _figure(
    traces: Sequence[Any], height: int, **layout: Mapping[str, Any] | Sequence[Any] | str | float
) -> dict[str, Any]:
    figure = go.Figure(
        data=list(traces),
        layout={
            "template": None,
            "height": height,
            "font": FONT,
            "margin": {"l": 8, "r": 22, "t": 8, "b": 8},
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
            "dragmode": False,
            "hoverlabel": {"font": {"size": 14}},
            **layout,
        },
    )
    plain: dict[str, Any] = figure.to_plotly_json()
    return plain


def _are_numbers(steps: Sequence[str | int]) -> bool:
    return all(isinstance(step, int) for step in steps)


def as_text(text: str) -> str:
    """Text that stays text: plotly knows some markup, and templates in its hover texts."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace("%{", "% {")
