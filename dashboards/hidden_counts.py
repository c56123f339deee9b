"""Definition 17: which counts leave a clinic only as `<11`, and which go with them.

A count from 1 to `below` - 1 is small and hidden. Whoever reads the rest also knows how counts add
up, so companions are hidden beside it until no hidden count can be worked out: every one of them
has at least one other value that agrees with all that is shown. Zero is always shown.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from math import lcm
from typing import TypeAlias


class Mark(StrEnum):
    SMALL = "small"  # from 1 to below - 1
    COMPANION = "companion"  # not small, but it would give a small count back


@dataclass(frozen=True)
class Cell:
    """One count of one table; `depth` is how finely it is broken down.

    Cells that must say the same number carry the same `name`, so they are one cell. `weight` tells
    readers' use: among equals the lightest is hidden first.
    """

    name: tuple[str, ...]
    depth: int = 0
    weight: int = 0


@dataclass(frozen=True)
class Sum:
    """`whole` is the sum of `parts`, and everybody knows it."""

    whole: Cell
    parts: tuple[Cell, ...]


Row: TypeAlias = dict[int, int | Fraction]

PRIME = 1_000_003
STRIDES = (1, *(PRIME // k for k in range(2, 14)))  # orders in which unknowns are solved


def hidden(counts: Mapping[Cell, int], sums: Iterable[Sum], below: int) -> dict[Cell, Mark]:
    """Choose the cells to hide, the small ones and their companions.

    What the parts leave over of a whole is protected as well when it is small (`first` courses of
    `all` give the repeat courses back). Parts that exceed their whole count something else and
    tell nothing. The choice depends on the counts alone, not on their order.

    Args:
        counts: every cell that would be shown, and its count.
        sums: how the cells add up; cells without a count do not take part.
        below: counts from 1 to `below` - 1 are small; at least 3, else `<2` would mean 1.
    """
    order = sorted(counts, key=lambda cell: (-cell.depth, cell.weight, counts[cell], cell.name))
    place = {cell: index for index, cell in enumerate(order)}
    values = [counts[cell] for cell in order]
    equations = []
    for known in sums:
        if known.whole in place:
            parts = [place[part] for part in known.parts if part in place]
            left_over = values[place[known.whole]] - sum(values[part] for part in parts)
            if 0 < left_over < below:
                values.append(left_over)
                parts.append(len(values) - 1)
            if 0 <= left_over < below and parts:
                equations.append({place[known.whole]: -1} | dict.fromkeys(parts, 1))
    table = _Table(values, len(order), equations, below)
    return {
        cell: Mark.SMALL if counts[cell] < below else Mark.COMPANION
        for cell in order
        if place[cell] in table.hidden
    }


class _Table:
    """Cells as places, in order of readiness to be hidden; places from `shown` on are never shown.

    Holds the hidden places, complete once made.
    """

    def __init__(
        self, values: Sequence[int], shown: int, equations: Sequence[dict[int, int]], below: int
    ) -> None:
        self.values = values
        self.shown = shown
        self.below = below
        self.equations = equations
        self.equations_of: defaultdict[int, list[int]] = defaultdict(list)
        for number, equation in enumerate(equations):
            for place in equation:
                self.equations_of[place].append(number)
        self.hidden: set[int] = set()
        self._hidden_in = Counter[int]()  # places, by equation
        self._alone: set[int] = set()  # equations with one hidden place: it can be worked out
        self._hide(place for place, value in enumerate(values) if 0 < value < below)
        self._hide_companions()

    def _hide(self, places: Iterable[int]) -> None:
        for place in places:
            self.hidden.add(place)
            for equation in self.equations_of[place]:
                self._hidden_in[equation] += 1
                if self._hidden_in[equation] == 1:
                    self._alone.add(equation)
                else:
                    self._alone.discard(equation)

    def _hide_companions(self) -> None:
        """Until every sum holds no or several hidden places, then until none is exposed."""
        while True:
            if companions := self._useful_in(self._alone):
                self._hide([_first(companions)])
            elif companions := self._useful_in(
                equation for place in self._exposed() for equation in self.equations_of[place]
            ):
                self._hide(self._apart(companions))
            else:
                return

    def _useful_in(self, equations: Iterable[int]) -> Counter[int]:
        """Shown places other than zeros, with the number of these equations that hold each."""
        return Counter(
            place
            for equation in equations
            for place in self.equations[equation]
            if self.values[place] > 0 and place not in self.hidden
        )

    def _apart(self, candidates: Counter[int]) -> set[int]:
        """The most useful candidates of which no two share a sum."""
        chosen: set[int] = set()
        while candidates:
            chosen.add(best := _first(candidates))
            for equation in self.equations_of[best]:
                for place in self.equations[equation]:
                    candidates.pop(place, None)
        return chosen

    def _exposed(self) -> set[int]:
        """Hidden places for which no other value is in sight that agrees with all that is shown."""
        unknown = [
            {place: sign for place, sign in equation.items() if place in self.hidden}
            for equation in self.equations
        ]
        unknown = [row for row in unknown if row]
        exposed = {place for row in unknown for place in row}
        for stride in STRIDES:
            if not exposed:
                break
            for shift in _free_shifts(unknown, lambda place, by=stride: place * by % PRIME):
                if self._is_possible(shift, 1) or self._is_possible(shift, -1):
                    exposed -= shift.keys()
        return exposed

    def _is_possible(self, shift: Mapping[int, int], direction: int) -> bool:
        """Whether the hidden counts, so shifted, are still what their marks say."""
        for place, step in shift.items():
            value = self.values[place] + direction * step
            if place >= self.shown:
                possible = value >= 0
            elif self.values[place] < self.below:
                possible = 0 < value < self.below
            else:
                possible = value >= self.below
            if not possible:
                return False
        return True


def _free_shifts(
    equations: list[dict[int, int]], order: Callable[[int], int]
) -> list[dict[int, int]]:
    """Whole-number changes of the unknowns that leave every equation's sum as it is.

    One for each unknown that the equations leave free: a basis of the null space, by Gauss-Jordan
    elimination on sparse rows. Another order gives another basis.
    """
    solved: dict[int, Row] = {}  # by the unknown it is solved for, which no other row holds
    holders: defaultdict[int, set[int]] = defaultdict(set)  # unknown -> rows that hold it
    unknowns = sorted({place for equation in equations for place in equation})
    for equation in sorted(equations, key=lambda row: (len(row), sorted(map(order, row)))):
        row: Row = dict(equation)
        for place in [place for place in equation if place in solved]:
            _add(row, solved[place], -row[place])
        if not row:
            continue
        pivot = min(row, key=lambda place: (abs(row[place]) != 1, len(holders[place]), order(place)))
        scale = _inverse(row[pivot])
        row = {place: factor * scale for place, factor in row.items()}
        for other in holders.pop(pivot, set()):
            before = solved[other].keys() - set()
            _add(solved[other], row, -solved[other][pivot])
            for place in before - solved[other].keys():
                holders[place].discard(other)
            for place in solved[other].keys() - before:
                holders[place].add(other)
        solved[pivot] = row
        for place in row.keys() - {pivot}:
            holders[place].add(pivot)
    return [
        _whole({free: 1} | {pivot: -solved[pivot][free] for pivot in sorted(holders[free])})
        for free in unknowns
        if free not in solved
    ]


def _first(candidates: Counter[int]) -> int:
    return min(candidates, key=lambda place: (-candidates[place], place))


def _add(row: Row, other: Row, factor: int | Fraction) -> None:
    for place, value in other.items():
        total = row.get(place, 0) + factor * value
        if total:
            row[place] = total
        else:
            row.pop(place, None)


def _inverse(value: int | Fraction) -> int | Fraction:
    return value if value in (1, -1) else Fraction(1, 1) / value


def _whole(shift: Row) -> dict[int, int]:
    scale = lcm(*(Fraction(step).denominator for step in shift.values()))
    return {place: int(step * scale) for place, step in shift.items()}
