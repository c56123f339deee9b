"""Definition 17: which counts leave a clinic only as `<11`, and which go with them.

A count from 1 to `below` - 1 is small and hidden. Whoever reads the rest also knows how counts add
up, so companions are hidden beside it until no hidden count can be worked out: every one of them
has at least one other value that agrees with all that is shown. Zero is always shown.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from functools import cache
from math import lcm
from typing import TypeAlias


class Mark(StrEnum):
    SMALL = "small"  # from 1 to below - 1
    COMPANION = "companion"  # not small, but it would give a small count back


@dataclass(frozen=True)
class Cell:
    """One count of one table; `worth` is what readers lose if it is hidden as a companion.

    Cells that must say the same number carry the same `name`, so they are one cell.
    """

    name: tuple[str, ...]
    worth: int = field(default=1, compare=False)


@dataclass(frozen=True)
class Sum:
    """`whole` is the sum of `parts`, and everybody knows it."""

    whole: Cell
    parts: tuple[Cell, ...]


# Inside, a cell is its place in the order of worth, and a sum is a map from places to signs.
Equation: TypeAlias = Mapping[int, int]
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
    cells = sorted(counts, key=lambda cell: (cell.worth, counts[cell], cell.name))
    place = {cell: index for index, cell in enumerate(cells)}
    values = [counts[cell] for cell in cells]
    equations: list[Equation] = []
    for known in sums:
        if known.whole in place:
            parts = [place[part] for part in known.parts if part in place]
            left_over = values[place[known.whole]] - sum(values[part] for part in parts)
            if 0 < left_over < below:
                values.append(left_over)
                parts.append(len(values) - 1)
            if 0 <= left_over < below and parts:
                equations.append({place[known.whole]: -1} | dict.fromkeys(parts, 1))
    places = _Places(values, [cell.worth for cell in cells], below)
    chosen = {place for place in range(len(values)) if places.is_small(place)}
    for connected in _connected(equations):
        chosen |= _System(places, connected).hidden
    return {
        cell: Mark.SMALL if places.is_small(place[cell]) else Mark.COMPANION
        for cell in cells
        if place[cell] in chosen
    }


@dataclass(frozen=True)
class _Places:
    """Counts by place; those beyond the last worth are left over from a sum and never shown."""

    values: Sequence[int]
    worth: Sequence[int]
    below: int

    def is_small(self, place: int) -> bool:
        return 0 < self.values[place] < self.below

    def may_be(self, place: int, value: int) -> bool:
        """Whether a hidden count could have this value for all that its mark says."""
        if place >= len(self.worth):
            return value >= 0
        return 0 < value < self.below if self.is_small(place) else value >= self.below


class _System:
    """Sums that share cells, and the places hidden in them; complete once made."""

    def __init__(self, places: _Places, equations: Sequence[Equation]) -> None:
        self.places = places
        self.equations = equations
        self.equations_of = defaultdict[int, list[int]](list)
        for number, equation in enumerate(equations):
            for place in equation:
                self.equations_of[place].append(number)
        self.hidden: set[int] = set()
        self._hidden_in = Counter[int]()  # places, by equation
        self._alone: set[int] = set()  # equations with one hidden place: it can be worked out
        self._exposed_among = cache(self._exposed_among_uncached)
        self._hide(place for place in self.equations_of if places.is_small(place))
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
                self._hide([self._best(companions)])
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
            if self.places.values[place] > 0 and place not in self.hidden
        )

    def _best(self, candidates: Counter[int]) -> int:
        """The candidate that serves most equations for what it is worth."""
        worth = self.places.worth
        return min(candidates, key=lambda place: (-candidates[place] / worth[place], place))

    def _apart(self, candidates: Counter[int]) -> set[int]:
        """The best candidates of which no two share a sum."""
        chosen: set[int] = set()
        while candidates:
            chosen.add(best := self._best(candidates))
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
        return {
            place
            for connected in _connected([row for row in unknown if row])
            for place in self._exposed_among(frozenset(tuple(row.items()) for row in connected))
        }

    def _exposed_among_uncached(self, rows: frozenset[tuple[tuple[int, int], ...]]) -> set[int]:
        equations = [dict(row) for row in sorted(rows)]
        exposed = {place for equation in equations for place in equation}
        for stride in STRIDES:
            if not exposed:
                break
            for shift in _free_shifts(equations, lambda place, by=stride: place * by % PRIME):
                if self._is_possible(shift, 1) or self._is_possible(shift, -1):
                    exposed -= shift.keys()
        return exposed

    def _is_possible(self, shift: Mapping[int, int], direction: int) -> bool:
        return all(
            self.places.may_be(place, self.places.values[place] + direction * step)
            for place, step in shift.items()
        )


def _connected(equations: Iterable[Equation]) -> Iterator[list[Equation]]:
    """The equations in groups that share no place."""
    group_of: dict[int, list[Equation]] = {}
    for equation in equations:
        groups = {id(group_of[place]): group_of[place] for place in equation if place in group_of}
        merged, *others = sorted(groups.values(), key=len, reverse=True) or [[]]
        merged.append(equation)
        for other in others:
            merged += other
        for moved in (equation, *(e for other in others for e in other)):
            group_of |= dict.fromkeys(moved, merged)
    yield from {id(group): group for group in group_of.values()}.values()


def _free_shifts(
    equations: Sequence[Equation], order: Callable[[int], int]
) -> Iterator[dict[int, int]]:
    """Whole-number changes of the unknowns that leave every equation's sum as it is.

    One for each unknown that the equations leave free: a basis of the null space, by Gauss-Jordan
    elimination on sparse rows. Another order gives another basis.
    """
    solved: dict[int, Row] = {}  # by the unknown it is solved for, which no other row holds
    holders = defaultdict[int, set[int]](set)  # unknown -> rows that hold it
    for equation in sorted(equations, key=lambda row: (len(row), sorted(map(order, row)))):
        row: Row = dict(equation)
        for place in [place for place in equation if place in solved]:
            _add(row, solved[place], -row[place])
        if not row:
            continue
        pivot = min(row, key=lambda place: (abs(row[place]) != 1, len(holders[place]), order(place)))
        scale = 1 / Fraction(row[pivot]) if abs(row[pivot]) != 1 else row[pivot]
        row = {place: factor * scale for place, factor in row.items()}
        for other in holders.pop(pivot, set()):
            before = set(solved[other])
            _add(solved[other], row, -solved[other][pivot])
            for place in before - solved[other].keys():
                holders[place].discard(other)
            for place in solved[other].keys() - before:
                holders[place].add(other)
        solved[pivot] = row
        for place in row.keys() - {pivot}:
            holders[place].add(pivot)
    for free in sorted({place for equation in equations for place in equation} - solved.keys()):
        yield _whole({free: 1} | {pivot: -solved[pivot][free] for pivot in holders[free]})


def _add(row: Row, other: Row, factor: int | Fraction) -> None:
    for place, value in other.items():
        total = row.get(place, 0) + factor * value
        if total:
            row[place] = total
        else:
            row.pop(place, None)


def _whole(shift: Row) -> dict[int, int]:
    scale = lcm(*(Fraction(step).denominator for step in shift.values()))
    return {place: int(step * scale) for place, step in shift.items()}
