"""Small lines that show how a figure went, drawn as SVG in the page itself, with words beside."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from itertools import groupby

WIDTH, HEIGHT, EDGE = 96, 24, 3  # of the drawing, in its own units


@dataclass(frozen=True)
class Trend:
    """A small drawing, ready for the page; whoever cannot see it is told its text."""

    svg: str


def trend(values: Sequence[float | None], text: str) -> Trend:
    """One point a value from left to right, the last one marked; None leaves a gap.

    Heights run from zero to the largest value, so that equal heights are equal figures within one
    drawing only.

    Args:
        values: none below zero; of one kind and in their order.
        text: says the same in words.
    """
    points = _points(values)
    lines = "".join(_line(run) for run in _runs(points))
    last = points[-1] if points else None
    mark = f'<circle cx="{last[0]:g}" cy="{last[1]:g}" r="2.5"/>' if last else ""
    return Trend(
        f'<svg class="trend" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-label="{escape(text)}">{lines}{mark}</svg>'
    )


def _line(run: list[tuple[float, float]]) -> str:
    """A line, or a small dot where a point has no neighbour."""
    if len(run) == 1:
        [(x, y)] = run
        return f'<circle cx="{x:g}" cy="{y:g}" r="1"/>'
    return f'<polyline points="{" ".join(f"{x:g},{y:g}" for x, y in run)}"/>'


def _points(values: Sequence[float | None]) -> list[tuple[float, float] | None]:
    top = max((value for value in values if value is not None), default=0) or 1
    step = (WIDTH - 2 * EDGE) / max(len(values) - 1, 1)
    return [
        None
        if value is None
        else (
            round(EDGE + place * step, 1),
            round(HEIGHT - EDGE - value / top * (HEIGHT - 2 * EDGE), 1),
        )
        for place, value in enumerate(values)
    ]


def _runs(
    points: Sequence[tuple[float, float] | None],
) -> Iterator[list[tuple[float, float]]]:
    """Points without a gap between them."""
    for known, run in groupby(points, key=lambda point: point is not None):
        if known:
            yield [point for point in run if point is not None]
