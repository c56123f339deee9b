"""Definition 17 against attackers that know all sums, and what each mark says."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from dashboards.hidden_counts import Cell, Mark, Sum, hidden

BELOW = 11


def cell(*name: object) -> Cell:
    return Cell(tuple(str(part) for part in name))


def grid(counts: list[list[int]]) -> tuple[dict[Cell, int], list[Sum]]:
    """A table of counts with its row, column and grand totals."""
    rows, columns = range(len(counts)), range(len(counts[0]))
    cells = {cell(r, c): counts[r][c] for r in rows for c in columns}
    cells |= {cell(r, "all"): sum(counts[r]) for r in rows}
    cells |= {cell("all", c): sum(row[c] for row in counts) for c in columns}
    cells[cell("all", "all")] = sum(map(sum, counts))
    sums = [Sum(cell(r, "all"), tuple(cell(r, c) for c in columns)) for r in (*rows, "all")]
    sums += [Sum(cell("all", c), tuple(cell(r, c) for r in rows)) for c in (*columns, "all")]
    return cells, sums


def ranges(
    counts: dict[Cell, int], sums: list[Sum], marks: dict[Cell, Mark]
) -> dict[Cell, tuple[int, int]]:
    """The lowest and the highest count an attacker must allow each hidden cell.

    Integer programming by SciPy's HiGHS, independent of how the cells were chosen.
    """
    unknown = list(marks)
    column = {hidden_cell: i for i, hidden_cell in enumerate(unknown)}
    rows, known = [], []
    for known_sum in sums:
        row, rest = np.zeros(len(unknown)), 0
        for sign, members in ((-1, (known_sum.whole,)), (1, known_sum.parts)):
            for member in members:
                if member in column:
                    row[column[member]] += sign
                else:
                    rest -= sign * counts[member]
        rows.append(row)
        known.append(rest)
    low = [1 if marks[c] is Mark.SMALL else BELOW for c in unknown]
    high = [BELOW - 1 if marks[c] is Mark.SMALL else 10**4 for c in unknown]
    found = {}
    for hidden_cell in unknown:
        aim = np.zeros(len(unknown))
        aim[column[hidden_cell]] = 1
        ends = [
            milp(
                sign * aim,
                constraints=LinearConstraint(np.array(rows), known, known),
                bounds=Bounds(low, high),
                integrality=np.ones(len(unknown)),
            )
            for sign in (1, -1)
        ]
        found[hidden_cell] = (round(ends[0].fun), round(-ends[1].fun))
    return found


def test_a_small_count_is_hidden_and_nothing_else_where_nothing_adds_up() -> None:
    counts = {cell("a"): 0, cell("b"): 1, cell("c"): 10, cell("d"): 11}
    assert hidden(counts, [], BELOW) == {cell("b"): Mark.SMALL, cell("c"): Mark.SMALL}


def test_a_lone_small_count_takes_a_companion_with_it() -> None:
    counts, sums = grid([[3, 50], [40, 60]])
    marks = hidden(counts, sums, BELOW)
    assert marks[cell(0, 0)] is Mark.SMALL
    assert [mark for c, mark in marks.items() if c != cell(0, 0)] == [Mark.COMPANION] * 3


def test_nothing_is_hidden_where_nothing_is_small() -> None:
    counts, sums = grid([[30, 50, 0], [40, 60, 11]])
    assert hidden(counts, sums, BELOW) == {}


def test_zero_is_always_shown() -> None:
    counts, sums = grid([[0, 5], [30, 0]])
    assert all(counts[c] > 0 for c in hidden(counts, sums, BELOW))


def test_two_small_counts_whose_total_gives_both_are_not_left_alone() -> None:
    """10 and 10 of 20: each is at most 10, so the total would tell both."""
    whole, parts = cell("all"), (cell("a"), cell("b"))
    counts = {whole: 20, parts[0]: 10, parts[1]: 10}
    sums = [Sum(whole, parts)]
    marks = hidden(counts, sums, BELOW)
    assert set(marks) == {whole, *parts}


def test_what_parts_leave_over_is_protected_when_it_is_small() -> None:
    """40 of 45 first courses: five repeat courses, though no cell says five."""
    counts = {cell("all"): 45, cell("first"): 40}
    assert len(hidden(counts, [Sum(cell("all"), (cell("first"),))], BELOW)) == 1
    counts = {cell("all"): 60, cell("first"): 40}
    assert hidden(counts, [Sum(cell("all"), (cell("first"),))], BELOW) == {}


def test_parts_that_exceed_their_whole_tell_nothing() -> None:
    counts = {cell("all"): 20, cell("a"): 15, cell("b"): 3}
    counts[cell("c")] = 4
    sums = [Sum(cell("all"), (cell("a"), cell("b"), cell("c")))]
    assert set(hidden(counts, sums, BELOW)) == {cell("b"), cell("c")}


def test_the_companion_worth_least_is_chosen() -> None:
    whole, dear, cheap = Cell(("all",), 100), Cell(("dear",), 9), Cell(("cheap",), 1)
    counts = {whole: 100, dear: 40, cheap: 55, cell("small"): 5}
    marks = hidden(counts, [Sum(whole, (dear, cheap, cell("small")))], BELOW)
    assert set(marks) == {cell("small"), cheap}


def test_the_choice_does_not_depend_on_the_order_of_counts() -> None:
    counts, sums = grid([[3, 50, 12], [40, 60, 8], [25, 1, 70]])
    backwards = dict(reversed(counts.items()))
    assert hidden(counts, sums, BELOW) == hidden(backwards, sums[::-1], BELOW)


def test_the_limit_is_the_groups_own() -> None:
    counts = {cell("a"): 4, cell("b"): 5}
    assert hidden(counts, [], 5) == {cell("a"): Mark.SMALL}
    assert hidden(counts, [], 1) == {}


TABLES = st.tuples(st.integers(2, 4), st.integers(2, 4)).flatmap(
    lambda shape: st.lists(
        st.lists(
            st.one_of(st.integers(0, 14), st.integers(0, 90)), min_size=shape[1], max_size=shape[1]
        ),
        min_size=shape[0],
        max_size=shape[0],
    )
)


@given(TABLES)
@settings(max_examples=150, deadline=None)
def test_no_hidden_count_of_a_table_can_be_worked_out_from_its_totals(
    table: list[list[int]],
) -> None:
    counts, sums = grid(table)
    marks = hidden(counts, sums, BELOW)
    assert all(0 < counts[c] < BELOW for c, mark in marks.items() if mark is Mark.SMALL)
    assert all(c in marks for c, count in counts.items() if 0 < count < BELOW)
    for hidden_cell, (low, high) in ranges(counts, sums, marks).items():
        assert low < high, f"{hidden_cell.name} can only be {low}"


@given(st.lists(st.integers(0, 25), min_size=24, max_size=24))
@settings(max_examples=40, deadline=None)
def test_no_hidden_count_of_a_cube_with_its_own_breakdown_can_be_worked_out(
    base: list[int],
) -> None:
    """Clinics by protocols, each cell divided into better, unchanged and worse."""
    counts: dict[Cell, int] = {}
    sums: list[Sum] = []
    base_counts = dict(zip(product(range(4), range(2), range(3)), base, strict=True))
    for site, protocol in product((*range(4), "all"), (*range(2), "all")):
        for part in range(3):
            counts[cell(site, protocol, part)] = sum(
                count
                for (s, p, which), count in base_counts.items()
                if site in (s, "all") and protocol in (p, "all") and which == part
            )
        parts = tuple(cell(site, protocol, part) for part in range(3))
        counts[cell(site, protocol, "all")] = sum(counts[part] for part in parts)
        sums.append(Sum(cell(site, protocol, "all"), parts))
    for site, part in product((*range(4), "all"), (*range(3), "all")):
        sums.append(Sum(cell(site, "all", part), tuple(cell(site, p, part) for p in range(2))))
    for protocol, part in product((*range(2), "all"), (*range(3), "all")):
        sums.append(
            Sum(cell("all", protocol, part), tuple(cell(s, protocol, part) for s in range(4)))
        )
    marks = hidden(counts, sums, BELOW)
    for hidden_cell, (low, high) in ranges(counts, sums, marks).items():
        assert low < high, f"{hidden_cell.name} can only be {low}"


@pytest.mark.parametrize("shown", ["whole", "part"])
def test_the_attacker_of_these_tests_finds_a_count_that_is_badly_hidden(shown: str) -> None:
    """A lone hidden part, or whole, is worked out by adding or subtracting."""
    whole, part = cell("all"), cell("a")
    counts = {whole: 53, part: 3, cell("b"): 50}
    marks = {part: Mark.SMALL} if shown == "whole" else {whole: Mark.COMPANION}
    [(low, high)] = ranges(counts, [Sum(whole, (part, cell("b")))], marks).values()
    assert low == high


def test_a_companion_that_must_be_hidden_is_taken_before_cheaper_ones() -> None:
    """One of 100 courses was not asked: it is hidden how many were, and no course with it."""
    worth = {"courses": 50, "asked": 5}
    count = {
        **{("courses", "all"): 100, ("courses", "a"): 60, ("courses", "b"): 40},
        **{("asked", "all"): 99, ("asked", "a"): 59, ("asked", "b"): 40},
    }
    cells = {
        (what, of): Cell((what, of), worth[what] * (1000 if of == "all" else 1))
        for what, of in count
    }
    sums = [
        *(Sum(cells["courses", of], (cells["asked", of],)) for of in ("all", "a", "b")),
        *(Sum(cells[what, "all"], (cells[what, "a"], cells[what, "b"])) for what in worth),
    ]
    marks = hidden({cells[place]: number for place, number in count.items()}, sums, BELOW)
    assert marks == dict.fromkeys((cells["asked", "all"], cells["asked", "a"]), Mark.COMPANION)
