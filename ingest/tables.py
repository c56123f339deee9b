"""Rows of text in which what repeats is held once, and worked out once."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Self

import polars as pl
import pyarrow as pa

FEW_ROWS = 5_000  # to find what repeats in so few takes longer than to work all of them out
A_LOOK = 1_000  # rows: a column in which these all differ is taken to differ in most
Step = Sequence[pl.Expr]


@dataclass(frozen=True)
class _Part:
    """Columns that follow from one, by its different values, and the place of each row's own among
    them; by rows, and without `places`, where most rows differ."""

    values: pl.DataFrame
    places: pl.Series | None = None

    def rows(self, names: Sequence[str]) -> pl.DataFrame:
        values = self.values[names]
        return values if self.places is None else values[self.places]

    def head(self, count: int) -> Self:
        if self.places is None:
            return replace(self, values=self.values.head(count))
        return replace(self, places=self.places.head(count))

    def worked_out(self, steps: Sequence[Step], kept: Sequence[str]) -> Self:
        if not steps:
            return replace(self, values=self.values[kept])
        plan = self.values.lazy()
        for step in steps:
            plan = plan.with_columns(step)
        as_planned = pl.QueryOptFlags.none()
        values = plan.collect(engine="in-memory", optimizations=as_planned)
        return replace(self, values=values[kept])


class Table:
    """Rows of which a column's different values are held, and worked out, once each."""

    def __init__(self, names: Sequence[str], height: int, parts: Iterable[_Part]) -> None:
        self.names = names
        self.height = height
        self._parts = tuple(parts)
        self._part_of = {
            name: number for number, part in enumerate(self._parts) for name in part.values.columns
        }

    @classmethod
    def of(cls, rows: pl.DataFrame | pa.RecordBatch) -> Self:
        """Find what repeats in columns of text."""
        if len(rows) < FEW_ROWS:
            as_they_are = pl.DataFrame(rows)
            return cls(as_they_are.columns, len(rows), [_Part(as_they_are)])
        if isinstance(rows, pl.DataFrame):
            names, columns = rows.columns, (column.to_arrow() for column in rows)
        else:
            names, columns = rows.schema.names, rows.columns
        return cls(names, len(rows), map(_without_repeats, names, columns))

    def numbered(self, numbers: pl.Series) -> Self:
        """The rows with a number each, as their first column."""
        names = (numbers.name, *self.names)
        if self._parts[0].places is None:
            by_rows = numbers.to_frame().hstack(self._parts[0].values)
            return type(self)(names, self.height, [_Part(by_rows), *self._parts[1:]])
        return type(self)(names, self.height, [_Part(numbers.to_frame()), *self._parts])

    def worked_out(self, steps: Sequence[Step], kept: Sequence[str]) -> Self:
        """The columns `kept` of these and of those that the steps add, one step after another.

        An expression must look at each row by itself. One over a single column is worked out once
        for each different value; one over columns that do not follow from the same one, row by row.
        """
        part_of = dict(self._part_of)
        steps_of: list[list[Step]] = [[] for _ in self._parts]
        for number, step in enumerate(steps):
            by_part, by_row = self._shared_out(step, part_of)
            if by_row:
                so_far = self._of_parts(steps_of, part_of, tuple(part_of))
                rest = [one for own in by_part.values() for one in own]
                return so_far._with_rows(by_row).worked_out([rest, *steps[number + 1 :]], kept)
            for part, own in by_part.items():
                steps_of[part].append(own)
                part_of.update(dict.fromkeys((one.meta.output_name() for one in own), part))
        return self._of_parts(steps_of, part_of, kept)

    def looked_at(self, looks: Sequence[pl.Expr]) -> dict[str, Any]:
        """What expressions say of a column that mind only which values it has: whether any is so,
        but not how many are."""
        by_part, _ = self._shared_out(looks, self._part_of)
        told: dict[str, Any] = {}
        for part, own in by_part.items():
            told |= self._parts[part].values.select(own).row(0, named=True)
        return told

    def filter(self, holds: pl.Series) -> Self:
        """The rows for which it holds."""
        return self if holds.all() else self.of(self.frame().filter(holds))

    def head(self, count: int) -> Self:
        """The first rows."""
        parts = (part.head(count) for part in self._parts)
        return type(self)(self.names, min(count, self.height), parts)

    def frame(self, names: Iterable[str] | None = None) -> pl.DataFrame:
        """Some columns, or all, row by row."""
        wanted = self.names if names is None else list(names)
        of_part = defaultdict(list)
        for name in wanted:
            of_part[self._part_of[name]].append(name)
        parts = [self._parts[part].rows(own) for part, own in of_part.items()]
        return pl.concat(parts, how="horizontal")[wanted]

    def column(self, name: str) -> pl.Series:
        """A column, row by row."""
        return self.frame([name])[name]

    def values(self, name: str) -> pl.Series:
        """Every different value of a column, at least once."""
        return self._parts[self._part_of[name]].values[name]

    def _shared_out(
        self, step: Step, part_of: Mapping[str, int]
    ) -> tuple[dict[int, list[pl.Expr]], list[pl.Expr]]:
        """Expressions by the part that each is over, and those that are over several."""
        by_part, by_row = defaultdict(list), []
        for expression in step:
            parts = {part_of[name] for name in expression.meta.root_names()}
            if len(parts) > 1:
                by_row.append(expression)
            else:
                by_part[parts.pop() if parts else self._shortest()].append(expression)
        return by_part, by_row

    def _shortest(self) -> int:
        """The part where what is the same in all rows is least work."""
        return min(range(len(self._parts)), key=lambda part: self._parts[part].values.height)

    def _of_parts(
        self, steps_of: Sequence[Sequence[Step]], part_of: Mapping[str, int], kept: Sequence[str]
    ) -> Self:
        kept_of = defaultdict(list)
        for name in kept:
            kept_of[part_of[name]].append(name)
        parts = [self._parts[part].worked_out(steps_of[part], own) for part, own in kept_of.items()]
        return type(self)(kept, self.height, parts)

    def _with_rows(self, step: Step) -> Self:
        """The table, and expressions over several parts as one of its own."""
        needed = {name for expression in step for name in expression.meta.root_names()}
        rows = self.frame(needed).select(step)
        names = (*self.names, *rows.columns)
        return type(self)(names, self.height, [*self._parts, _Part(rows)])


def _without_repeats(name: str, column: pa.Array) -> _Part:
    """A column by its different values, where it is of text and they repeat."""
    if pa.types.is_large_string(column.type) and len(column[:A_LOOK].unique()) < A_LOOK:
        coded = column.dictionary_encode(null_encoding="encode")
        if 2 * len(coded.dictionary) <= len(column):
            places = pl.Series(coded.indices).cast(pl.UInt32)
            return _Part(pl.DataFrame({name: pl.Series(coded.dictionary)}), places)
    return _Part(pl.DataFrame({name: pl.Series(column)}))
