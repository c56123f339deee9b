"""Definition 17 against one who has all group pages of a small group and adds up what they show.

The attacker knows the tables' headings and rows, and so which cells are sums of others and which
are the same number on two tables. What is known to him is found here from the same release with
nothing hidden: each sum of rows or of columns that holds there, cell for cell. Whatever is hidden
must then have two values at least. Nothing of `hidden_counts` or `shared_tables` is used.
"""

import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from html import unescape
from itertools import combinations
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp  # type: ignore[import-untyped]

from dashboards import publish
from pipeline.workspace import Release

BELOW = 11
PARTS_AT_MOST = 4
TOTAL_ROW = re.compile(r"^(all\b|any harm$)", re.IGNORECASE)
ALSO_LABELS = {"after session", "After session", "Session"}
COUNT = re.compile(r"\d{1,3}(?:\u202f\d{3})*")
SMALL, HIDDEN = f"<{BELOW}", "hidden"
MOST = 10**5


@dataclass(frozen=True)
class Table:
    caption: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Place:
    """A cell of a page's table."""

    table: int
    row: int
    column: int


Equation = tuple[Place, tuple[Place, ...]]  # a whole and its parts


def text(cell: str) -> str:
    return unescape(" ".join(re.sub(r"<[^>]+>|\u00ad", "", cell).split()))


def tables_of(page: str) -> Iterator[Table]:
    for found in re.findall(r"<table .*?</table>", page, re.DOTALL):
        caption = re.search(r'aria-label="(.*?)"', found)
        assert caption
        lines = [
            tuple(text(cell) for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", line, re.DOTALL))
            for line in re.findall(r"<tr>(.*?)</tr>", found, re.DOTALL)
        ]
        yield Table(unescape(caption[1]), lines[0], tuple(lines[1:]))


def number(cell: str) -> int | None:
    return int(cell.replace("\u202f", "")) if COUNT.fullmatch(cell) else None


def group_tables(folder: Path) -> list[Table]:
    """The tables of all pages that leave a clinic."""
    return [
        table
        for file in sorted(folder.rglob("*.html"))
        if "clinics" not in file.relative_to(folder).parts
        for table in tables_of(file.read_text(encoding="utf-8"))
    ]


def known_sums(full: list[Table]) -> Iterator[Equation]:
    """Totals over rows, and columns that are the sum of others in every row."""
    for t, table in enumerate(full):
        numbers = [[number(cell) for cell in row] for row in table.rows]
        columns = [
            c
            for c in range(1, len(table.headings))
            if table.headings[c] not in ALSO_LABELS
            and numbers
            and all(len(row) > c and row[c] is not None for row in numbers)
        ]
        totals = [r for r, row in enumerate(table.rows) if TOTAL_ROW.match(row[0])]
        others = [r for r in range(len(numbers)) if r not in totals]
        for r in totals[:1]:
            for c in columns:
                if len(others) > 1 and numbers[r][c] == sum(numbers[o][c] or 0 for o in others):
                    yield Place(t, r, c), tuple(Place(t, o, c) for o in others)
        if len(numbers) < 3:
            continue  # too few rows to tell a sum from an accident
        for whole in columns:
            rest = [c for c in columns if c != whole]
            for size in range(2, PARTS_AT_MOST + 1):
                for parts in combinations(rest, size):
                    if all(row[whole] == sum(row[c] or 0 for c in parts) for row in numbers):
                        for r in range(len(numbers)):
                            yield Place(t, r, whole), tuple(Place(t, r, c) for c in parts)


def same_numbers(full: list[Table]) -> Iterator[tuple[Place, Place]]:
    """Cells under one heading in rows of one label, of tables that begin with the same words.

    Totals are the same whatever a table is broken down by; a grade is so by one grading alone.
    """
    alike = defaultdict[tuple[str, str, str, int], list[Place]](list)
    for t, table in enumerate(full):
        for r, row in enumerate(table.rows):
            about = re.split("[,:]" if TOTAL_ROW.match(row[0]) else ":", table.caption)[0]
            label = _label(table, row)
            for c, cell in enumerate(row):
                count = number(cell)
                if c and count is not None:
                    alike[about, label, table.headings[c], count].append(Place(t, r, c))
    for places in alike.values():
        yield from ((places[0], place) for place in places[1:])


def _label(table: Table, row: tuple[str, ...]) -> str:
    """What tells the row from others; a total is one, whatever it is called."""
    first = "all" if TOTAL_ROW.match(row[0]) else row[0]
    more = (cell for h, cell in zip(table.headings, row, strict=True) if h in ALSO_LABELS)
    return " ".join([first, *more])


def ranges(
    shown: list[Table], sums: list[Equation], same: list[tuple[Place, Place]]
) -> dict[Place, tuple[int, int]]:
    """The least and the greatest count that each hidden cell can have."""
    leader: dict[Place, Place] = {}

    def first(place: Place) -> Place:
        while place in leader:
            place = leader[place]
        return place

    for one, other in same:
        if first(one) != first(other):
            leader[first(other)] = first(one)
    members = defaultdict[Place, set[str]](set)
    for t, table in enumerate(shown):
        for r, row in enumerate(table.rows):
            for c, cell in enumerate(row):
                members[first(Place(t, r, c))].add(cell)
    known = {
        place: counts[0]
        for place, cells in members.items()
        if (counts := [n for cell in cells if (n := number(cell)) is not None])
    }
    equations = {
        (first(whole), *sorted(map(first, parts), key=repr)): None for whole, parts in sums
    }
    unknown = sorted(
        {place for equation in equations for place in equation if place not in known}, key=repr
    )
    column = {place: i for i, place in enumerate(unknown)}
    rows, results = [], []
    for whole, *parts in equations:
        row, rest = np.zeros(len(unknown)), 0
        for sign, place in ((-1, whole), *((1, part) for part in parts)):
            if place in column:
                row[column[place]] += sign
            else:
                rest -= sign * known[place]
        if row.any():
            rows.append(row)
            results.append(rest)
    low = [1 if SMALL in members[p] else 0 for p in unknown]
    high = [BELOW - 1 if SMALL in members[p] else MOST for p in unknown]
    found = {}
    for place in unknown:
        if not members[place] & {SMALL, HIDDEN}:
            continue
        aim = np.zeros(len(unknown))
        aim[column[place]] = 1
        ends = [
            milp(
                sign * aim,
                constraints=LinearConstraint(np.array(rows), results, results),
                bounds=Bounds(low, high),
                integrality=np.ones(len(unknown)),
            )
            for sign in (1, -1)
        ]
        assert all(end.success for end in ends), place
        found[place] = (round(ends[0].fun), round(-ends[1].fun))
    return found


@pytest.fixture(scope="module")
def small_group(
    invented: ModuleType, tmp_path_factory: pytest.TempPathFactory
) -> tuple[list[Table], list[Table]]:
    """All tables of a small group's pages, as they leave and with nothing hidden."""
    made = invented.make_release(tmp_path_factory.mktemp("small") / "release", courses=160)
    found = []
    for below in (BELOW, 1):
        settings = invented.settings(privacy={"hide_counts_below": below})
        publish(Release(made.root, settings, made.as_of))
        found.append(group_tables(made.dashboards))
    shown, full = found
    return shown, full


def test_no_hidden_count_can_be_worked_out_from_all_pages(
    small_group: tuple[list[Table], list[Table]],
) -> None:
    shown, full = paired(*small_group)
    assert len(shown) > 20
    found = ranges(shown, list(known_sums(full)), list(same_numbers(full)))
    assert len(found) > 40
    for place, (low, high) in found.items():
        table = shown[place.table]
        where = (table.caption, table.rows[place.row][0], table.headings[place.column])
        assert low < high, f"{where} can only be {low}"


def paired(shown: list[Table], full: list[Table]) -> tuple[list[Table], list[Table]]:
    """The tables that have the same rows and columns in both; others show no count twice."""
    by_outline = {
        (table.caption, table.headings, tuple(row[0] for row in table.rows)): table
        for table in full
    }
    pairs = [
        (table, by_outline[outline])
        for table in shown
        if (outline := (table.caption, table.headings, tuple(row[0] for row in table.rows)))
        in by_outline
    ]
    return [one for one, _ in pairs], [other for _, other in pairs]


def test_the_attacker_finds_a_count_that_is_badly_hidden() -> None:
    """A lone hidden row is the total less the others; the total may stand on another table."""
    headings = ("Grade", "measured", "better", "worse")
    full = Table("S, by grade", headings, (
        *(("mild", "30", "25", "5"), ("severe", "60", "40", "20"), ("none", "12", "12", "0")),
        ("all", "102", "77", "25"),
    ))  # fmt: skip
    totals = Table("S, by clinic", headings, (("all", "102", "77", "25"),))
    in_rows = Table("S, by grade", headings, (
        *(("mild", "30", "25", "<11"), ("severe", "60", "hidden", "hidden")),
        *(("none", "12", "12", "0"), ("all", "102", "hidden", "hidden")),
    ))  # fmt: skip
    found = ranges(
        [in_rows, totals], list(known_sums([full, totals])), list(same_numbers([full, totals]))
    )
    assert found[Place(0, 0, 3)] == (5, 5)
    apart = ranges([in_rows], list(known_sums([full])), [])
    assert apart[Place(0, 0, 3)] == (5, 5)  # measured less better


def test_the_attacker_leaves_open_what_is_well_hidden() -> None:
    headings = ("Grade", "measured")
    rows = (("mild", "5"), ("severe", "60"), ("none", "12"), ("all", "77"))
    full = Table("S", headings, rows)
    shown = Table("S", headings, (("mild", "<11"), ("severe", "hidden"), *rows[2:]))
    found = ranges([shown], list(known_sums([full])), [])
    assert found == {Place(0, 0, 1): (1, 10), Place(0, 1, 1): (55, 64)}
