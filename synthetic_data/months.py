"""The months that the exports cover; days are counted from 1970-01-01."""

from dataclasses import dataclass
from datetime import date
from functools import cached_property

import numpy as np

from synthetic_data.randomness import Integers

EPOCH = date(1970, 1, 1)
FOREVER = 2**30  # the day on which what never happens happens
FAR_OFF = 47_482  # 2100-01-01: no later day is told


def day_number(day: date) -> int:
    """Days since 1970-01-01."""
    return (day - EPOCH).days


@dataclass(frozen=True)
class Months:
    """Consecutive calendar months, one batch each.

    `edges` holds the first day of each month and, last, the day after the last month.
    """

    names: tuple[str, ...]
    edges: tuple[int, ...]

    @cached_property
    def starts(self) -> Integers:
        """The edges as an array."""
        return np.array(self.edges, dtype=np.int64)

    def __len__(self) -> int:
        return len(self.names)

    @property
    def first_day(self) -> int:
        return self.edges[0]

    @property
    def last_day(self) -> int:
        return self.edges[-1] - 1

    def last_day_of(self, month: int) -> int:
        return self.edges[month + 1] - 1

    def of(self, days: Integers) -> Integers:
        """The position of the month in which each day lies; -1 before, len(self) after."""
        return np.searchsorted(self.starts, days, side="right").astype(np.int64) - 1

    def without_last(self, count: int) -> "Months":
        """The same months less the newest ones."""
        kept = len(self) - count
        return Months(self.names[:kept], self.edges[: kept + 1])


def months_until(last: str, count: int) -> Months:
    """The `count` months that end with `last` (YYYY-MM)."""
    year, month = (int(part) for part in last.split("-"))
    newest = year * 12 + month - 1
    firsts = [
        date(number // 12, number % 12 + 1, 1) for number in range(newest - count + 1, newest + 2)
    ]
    return Months(
        tuple(f"{first:%Y-%m}" for first in firsts[:-1]),
        tuple(day_number(first) for first in firsts),
    )


def on_weekdays(days: Integers) -> Integers:
    """Saturdays become the Friday before, Sundays the Monday after; the order stays."""
    weekday = (days + 3) % 7  # 0 is a Monday: 1970-01-01 was a Thursday
    moved: Integers = days - (weekday == 5) + (weekday == 6)
    return moved
