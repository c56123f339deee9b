"""What a reader hands on of a file: its cells as text, under the file's own names."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import polars as pl
import pyarrow as pa

from ingest.tables import Table

RAGGED = pl.Schema({"source_row": pl.Int64, "line": pl.String})


class UnusableFileError(Exception):
    """A whole file is refused: the message says why and what to do, and nothing of its content."""


@dataclass(frozen=True)
class Raw:
    """Part of a file, in its order, before anything of it is taken for a column of the contract.

    `names` are the header's cells. `texts` has a text column for each name, named by its position,
    and `numbers` the row of each; `cells` is both as a table, `source_row` first. `ragged` has
    `source_row` and `line` of rows that don't fit the header. In a `quoted` text a cell may hold
    line breaks. `typed` are the positions whose cells the file stores as numbers or dates; in a
    file of `mixed` cells any cell may be. `formulas` gives the rows that hold one, each with a
    cell's address. `read_as` says in words how the file was read, and `found_by` names the settings
    that decide where its header is found.
    """

    names: tuple[str, ...]
    texts: pl.DataFrame | pa.RecordBatch
    numbers: pl.Series
    ragged: pl.DataFrame
    read_as: str
    quoted: bool = False
    typed: frozenset[str] = frozenset()
    mixed: bool = False
    formulas: tuple[tuple[int, str], ...] = ()
    found_by: tuple[str, ...] = ()

    @property
    def height(self) -> int:
        return self.numbers.len() + self.ragged.height

    @property
    def is_plain(self) -> bool:
        """Whether it is of CSV, and all rows fit the header."""
        return isinstance(self.texts, pa.RecordBatch) and self.ragged.is_empty()

    @cached_property
    def cells(self) -> Table:
        return Table.of(self.texts).numbered(self.numbers.alias("source_row"))


@dataclass(frozen=True)
class Block:
    """Part of a file in the contract's shape, in the file's order.

    `table` has `source_row` and every column of the kind as text without spaces around, empty cells
    as null. `ragged` has `source_row` and `line` of rows that don't fit the header. `others` has
    the values of the file's columns that neither the contract nor the mapping knows, by their
    names. `skipped` rows are left out by the mapping's rules.
    """

    table: Table
    ragged: pl.DataFrame
    others: tuple[tuple[str, pl.Series], ...]
    read_as: str
    skipped: int = 0

    @property
    def rows(self) -> pl.DataFrame:
        """The table row by row."""
        return self.table.frame()


def joined(parts: Sequence[Raw]) -> Raw:
    """Plain parts of one header as one."""
    if len(parts) == 1:
        return parts[0]
    return replace(
        parts[0],
        texts=pa.concat_batches([part.texts for part in parts]),
        numbers=pl.concat(part.numbers for part in parts),
        quoted=any(part.quoted for part in parts),
    )


def folded(name: str) -> str:
    """A column's name, whatever its case and spacing."""
    return " ".join(name.split()).lower()
