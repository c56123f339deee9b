"""Definition 17: which counts leave a clinic only as `<11`, and which go with them.

A count from 1 to `below` - 1 is small and hidden. Whoever reads the rest also knows how counts add
up, so companions are hidden beside it until no hidden count can be worked out: every one of them
has at least one other value that agrees with all that is shown. Zero is always shown.
"""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from functools import cache, cached_property
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
Link: TypeAlias = tuple[int, frozenset[int]]  # an equation's number, and its hidden places

PRIME = 1_000_003
STRIDES = (1, *(PRIME // k for k in range(2, 13)))  # orders in which unknowns are solved
TURNS = 4  # of the walk, for each order
ENOUGH = 1 / 40  # of the first companion's merit, to be hidden in the same round


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
    for numbers in _connected((equation.keys(), i) for i, equation in enumerate(equations)):
        chosen |= _System(places, [equations[number] for number in numbers]).hidden
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

    @cached_property
    def ranges(self) -> Sequence[tuple[int, int]]:
        """Lowest and highest count that each place could have for all that its mark says."""
        unbounded = sum(self.values)
        shown = len(self.worth)
        marked = ((1, self.below - 1), (self.below, unbounded))
        return [
            (0, unbounded) if place >= shown else marked[not self.is_small(place)]
            for place in range(len(self.values))
        ]


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
        self._exposed_among = cache(self._exposed_uncached)
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
                self._hide([self._dearest(companions)])
            elif beside := list(self._beside_exposed()):
                self._hide(beside)
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

    def _dearest(self, companions: Counter[int]) -> int:
        """Of the best companions for each sum, the one worth most: no other would do there.

        Once it is hidden, it may do for other sums too, which a cheaper one would not spare it.
        """
        best = {
            min(useful, key=lambda place: (-self._merit(place, companions), place))
            for equation in self._alone
            if (useful := [place for place in self.equations[equation] if place in companions])
        }
        return max(best, key=lambda place: (self.places.worth[place], -place))

    def _best(self, candidates: Counter[int]) -> int:
        """The candidate that serves most equations for what it is worth."""
        return min(candidates, key=lambda place: (-self._merit(place, candidates), place))

    def _merit(self, place: int, candidates: Counter[int]) -> float:
        return candidates[place] / self.places.worth[place]

    def _beside_exposed(self) -> Iterator[int]:
        """From each group with exposed places, some whose hiding may give them other counts.

        Those that share no sum are taken at once, as long as they are of use enough.
        """
        for linked in self._linked():
            exposed = self._exposed_among(linked)
            near = (equation for place in exposed for equation in self.equations_of[place])
            useful = self._useful_in(near) + self._givers(linked, exposed)
            enough = 0.0
            while useful:
                best = self._best(useful)
                merit = self._merit(best, useful)
                if merit < enough:
                    break
                enough = max(enough, merit * ENOUGH)
                yield best
                for equation in self.equations_of[best]:
                    for place in self.equations[equation]:
                        useful.pop(place, None)

    def _linked(self) -> Iterator[frozenset[Link]]:
        """Equations in groups that share hidden places, each with the hidden places it holds."""
        held = {
            number: frozenset(equation.keys() & self.hidden)
            for number, equation in enumerate(self.equations)
            if self._hidden_in[number]
        }
        for group in _connected((places, number) for number, places in held.items()):
            yield frozenset((number, held[number]) for number in group)

    def _givers(self, linked: frozenset[Link], exposed: Set[int]) -> Counter[int]:
        """From each solution for an exposed place, the shown places that it is solved from."""
        if not exposed:
            return Counter()
        equations = [self.equations[number] for number in sorted(number for number, _ in linked)]
        solved = _solve(equations, {place: place for place in self.hidden})
        givers = Counter[int]()
        for pivot, row in solved.items():
            if pivot in exposed or not exposed.isdisjoint(row):
                givers.update(
                    place
                    for place in row
                    if place not in self.hidden and self.places.values[place] > 0
                )
        return givers

    def _exposed_uncached(self, linked: frozenset[Link]) -> set[int]:
        """Hidden places for which no other count is found that agrees with all that is shown.

        Walks from the true counts to others that agree with the sums, as far as marks allow, and
        strikes out each place that was ever seen with another count. What stays is exposed, or
        may be: hiding more than needed is the safe side.
        """
        equations = [
            {place: self.equations[number][place] for place in sorted(places)}
            for number, places in sorted(linked, key=lambda link: link[0])
        ]
        counts = {place: self.places.values[place] for row in equations for place in row}
        exposed = set(counts)
        for stride in STRIDES:
            order = {place: place * stride % PRIME for place in counts}
            solved = _solve(equations, order)
            pinned = {place for place, row in solved.items() if len(row) == 1}
            shifts = list(_free_shifts(solved, order))
            for turn in range(TURNS):
                if exposed <= pinned:
                    return exposed
                for number, shift in enumerate(shifts):
                    way = 1 if (number * stride + turn) % 2 else -1
                    self._shift(counts, shift, way) or self._shift(counts, shift, -way)
                    exposed -= {p for p in shift if counts[p] != self.places.values[p]}
        return exposed

    def _shift(self, counts: dict[int, int], shift: Mapping[int, int], way: int) -> bool:
        """Move the counts along, if all of them still agree with their marks."""
        ranges = self.places.ranges
        for place, step in shift.items():
            low, high = ranges[place]
            if not low <= counts[place] + way * step <= high:
                return False
        for place, step in shift.items():
            counts[place] += way * step
        return True


def _connected(sets: Iterable[tuple[Collection[int], int]]) -> Iterator[list[int]]:
    """The numbers of sets of places, in groups that share no place."""
    group_of: dict[int, tuple[list[int], list[int]]] = {}  # place -> its group: numbers, places
    for places, number in sets:
        met = {id(group_of[place]): group_of[place] for place in places if place in group_of}
        group, *others = sorted(met.values(), key=lambda g: -len(g[1])) or [([], [])]
        fresh = [place for place in places if place not in group_of]
        group[0].append(number)
        for numbers, moved in (*others, ([], fresh)):
            group[0].extend(numbers)
            group[1].extend(moved)
            group_of.update(dict.fromkeys(moved, group))
    for numbers, _ in {id(group): group for group in group_of.values()}.values():
        yield sorted(numbers)


def _free_shifts(solved: Mapping[int, Row], order: Iterable[int]) -> Iterator[dict[int, int]]:
    """Whole-number changes of the unknowns that leave every solved equation's sum as it is.

    One for each unknown that the equations leave free: a basis of the null space.
    """
    shifts: dict[int, Row] = {place: {place: 1} for place in order if place not in solved}
    for pivot, row in solved.items():
        for place, factor in row.items():
            if place != pivot:
                shifts[place][pivot] = -factor
    for place in sorted(shifts):
        yield _whole(shifts[place])


def _solve(equations: Sequence[Equation], order: Mapping[int, int]) -> dict[int, Row]:
    """Each equation solved for one of the unknowns, those with an order; the others are given.

    Gauss-Jordan elimination on sparse rows: the unknown a row is solved for, with factor 1, is in
    no other row. Equations that say nothing new fall away. Another order solves for others.
    """
    solved: dict[int, Row] = {}
    holders = defaultdict[int, set[int]](set)  # unknown -> the rows that hold it
    for equation in sorted(equations, key=lambda row: (len(row), sorted(row))):
        row: Row = dict(equation)
        for place in equation:
            if place in solved:
                _add(row, solved[place], -row[place])
        unknown = [place for place in row if place in order]
        if not unknown:
            continue
        pivot = min(
            unknown,
            key=lambda place: (row[place] not in (1, -1), len(holders[place]), order[place]),
        )
        if row[pivot] != 1:
            scale = row[pivot] if row[pivot] == -1 else 1 / Fraction(row[pivot])
            row = {place: factor * scale for place, factor in row.items()}
        for other in list(holders[pivot]):
            holder = solved[other]
            before = set(holder)
            _add(holder, row, -holder[pivot])
            for place in before.symmetric_difference(holder):
                (holders[place].add if place in holder else holders[place].discard)(other)
        solved[pivot] = row
        for place in row:
            if place != pivot:
                holders[place].add(pivot)
    return solved


def _add(row: Row, other: Row, factor: int | Fraction) -> None:
    for place, value in other.items():
        total = row.get(place, 0) + factor * value
        if total:
            row[place] = total
        else:
            row.pop(place, None)


def _whole(shift: Row) -> dict[int, int]:
    scale = lcm(*(step.denominator for step in shift.values()))
    return {place: int(step * scale) for place, step in shift.items()}
