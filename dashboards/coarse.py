"""Rates and curves so coarse that they tell no small count, where the counts are not shared.

A table that has no shape in `shared_tables` keeps its counts. What a page may say of it is a rate,
rounded so that some count more or less would read the same, or the steps of a curve put together
until each holds enough events. Rates and curves are read, never worked out.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import floor
from typing import TypeAlias

from dashboards.hidden_counts import Mark
from dashboards.warehouse import Row

ROUNDED_TO = ((200, 1), (40, 5), (20, 10))  # from so many on: to so many in 100, two counts or more
FIFTHS = 5
MONTHS_A_YEAR = 12
DAYS_A_YEAR = 365


Rate: TypeAlias = int | Mark | None


def in_100(share: float | None, measured: int, *, shown: bool = False) -> Rate:
    """A share, rounded as so many in 100; below 20 measured a Mark.

    `shown`: its counts are shown elsewhere, so that it gives none back.
    """
    if share is None:
        return None
    if shown:
        return round(100 * share)
    step = step_of(measured)
    if step is None:
        return Mark.COMPANION
    return step * floor(round(100 * share / step, 6) + 0.5)  # halves up, evenly spread


def step_of(measured: int) -> int | None:
    """To how many in 100 a share of so many is rounded; None where it is not told at all."""
    return next((step for at_least, step in ROUNDED_TO if measured >= at_least), None)


def in_fifths(counts: Sequence[int], below: int) -> list[int]:
    """Counts as fifths of the largest of them, which is not told; what is too few stands at 0."""
    told = [count if count >= below else 0 for count in counts]
    largest = max(told, default=0)
    return [round(FIFTHS * count / largest) if largest else 0 for count in told]


@dataclass(frozen=True)
class Step:
    """A curve as it stands at a day: shares from 0 to 1 to whole hundredths.

    `followed` is how many were under observation then, rounded down to tens; None before the first
    event.
    """

    month: int
    followed: int | None
    share: float
    low: float | None
    high: float | None

    @property
    def day(self) -> int:
        return _day(self.month)


def steps(
    rows: Sequence[Row], *, events: str, curve: tuple[str, str, str], start: float, below: int
) -> list[Step]:
    """A curve at the ends of months, between which no event or at least `below` were seen.

    Begins with the month before the first event. A month is left out where fewer than `below`
    events came since the month before it that is not; so is the end where fewer than `below` are
    under observation.

    Args:
        rows: the curve's rows by day, with columns days, at_risk and those named.
        events: the column that counts events on a day.
        curve: the columns of the share and its limits.
        start: the share before the first event.
    """
    ordered = sorted(rows, key=lambda row: row["days"])
    if not ordered:
        return []
    seen = list(accumulate(row[events] for row in ordered))
    found = [Step(_months(ordered[0]["days"]), None, start, None, None)]
    told = 0
    for month, last in _ends_of_months(ordered):
        row = ordered[last]
        if row["at_risk"] < below:
            break
        if seen[last] - told >= below or seen[last] == told:
            told = seen[last]
            share, low, high = (row[column] for column in curve)
            followed = row["at_risk"] // 10 * 10
            found.append(
                Step(month, followed, round(share, 2), _hundredths(low), _hundredths(high))
            )
    return found if told else []


def _ends_of_months(rows: Sequence[Row]) -> Iterator[tuple[int, int]]:
    """Each month from the first event's on, with the place of the last row up to its end."""
    last = 0
    for month in range(_months(rows[0]["days"]) + 1, _months(rows[-1]["days"]) + 2):
        while last + 1 < len(rows) and rows[last + 1]["days"] <= _day(month):
            last += 1
        yield month, last


def _day(month: int) -> int:
    return round(month * DAYS_A_YEAR / MONTHS_A_YEAR)


def _months(day: int) -> int:
    """Whole months that are over before the day."""
    return max(
        month for month in range(day * MONTHS_A_YEAR // DAYS_A_YEAR + 1) if _day(month) < day
    )


def _hundredths(share: float | None) -> float | None:
    return None if share is None else round(share, 2)
