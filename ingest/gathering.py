"""The rows of a unit's files: screened, judged and re-keyed, in memory or in parts on the disk."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import polars as pl

from ingest.batches import Export
from ingest.checks import Judge
from ingest.contract import EARLIEST_DAY, KINDS_BY_NAME, Kind
from ingest.forgotten import is_theirs
from ingest.identifiers import screen
from ingest.keys import Rekeying
from ingest.mapping import KindMapping
from ingest.places import shown_name, size_of
from ingest.raw import RAGGED, Block, UnusableFileError
from ingest.reading import WHOLE_BYTES, cells_schema, read_blocks
from ingest.tables import Table
from pipeline.errors import DataRefused
from pipeline.settings import Limits

IN_MEMORY_BYTES = 4 * WHOLE_BYTES  # of a unit's files together
JUDGED_ROWS = 50_000  # at once: judging has a price of its own, whatever the rows
PART_ROWS = 500_000
KEY_DIGITS = "0123456789abcdef"  # in the order in which text is sorted
TEXT_IN_PACKED = 8  # bytes of text in a byte of gzip or Parquet, as exports go


@dataclass(frozen=True)
class ReadFile:
    """One file as read; a refused one has no row."""

    name: str
    bytes: int
    rows_read: int
    refusal: str | None
    unknown_columns: Counter[str]  # column -> values in it
    read_as: str | None = None
    skipped: int = 0  # rows that the mapping leaves out
    forgotten: int = 0  # rows read of forgotten patients, and dropped


@dataclass(frozen=True)
class Gathered:
    """A unit's judged and re-keyed `rows` with their `position` and `source_file`; `ragged` lines
    with `source_file`; and its files. Rows in memory are worked out at once, rows in the folder
    `scratch` by and by."""

    rows: pl.LazyFrame
    ragged: pl.DataFrame
    files: tuple[ReadFile, ...]
    scratch: Path | None

    @property
    def rows_read(self) -> int:
        return sum(file.rows_read for file in self.files)

    def collect(self, frame: pl.LazyFrame) -> pl.DataFrame:
        """Work out a frame with the engine that fits where the rows lie."""
        if self.scratch:
            return frame.collect(engine="streaming")
        return frame.collect(engine="in-memory", optimizations=pl.QueryOptFlags.none())

    def settled(self, frame: pl.LazyFrame) -> pl.LazyFrame:
        """A frame that is used more than once: worked out now where its rows are in memory."""
        return frame if self.scratch else self.collect(frame).lazy()

    def in_order(self, frame: pl.LazyFrame, by: Sequence[str]) -> pl.LazyFrame:
        """A frame in the order of columns, the first a key; on the disk a sixteenth at once."""
        if self.scratch is None:
            return frame.sort(by)
        begins = pl.col(by[0]).str.head(1)
        for digit in KEY_DIGITS:
            part = self.scratch / "in_order" / f"{digit}.parquet"
            frame.filter(begins == digit).sort(by).sink_parquet(part, compression="lz4", mkdir=True)
        return pl.scan_parquet(self.scratch / "in_order" / "*.parquet")


def is_large(export: Export) -> bool:
    """Whether a unit's rows belong on the disk while they are checked."""
    return sum(_text_bytes(path) for path in export.files) > IN_MEMORY_BYTES


def _text_bytes(path: Path) -> int:
    """About how long a file is as plain text."""
    is_plain = path.name.lower().endswith(".csv")
    return size_of(path) * (1 if is_plain else TEXT_IN_PACKED)


def gather(
    export: Export,
    judge: Judge,
    mapping: KindMapping,
    rekeying: Rekeying,
    scratch: Path | None,
) -> Gathered:
    """Read a unit's files in their order; rows are kept in the folder `scratch` where one is given.

    Raises:
        DataRefused: a file changed while it was read.
    """
    kind, site = export.kind, export.batch.site
    rows = _Rows(judge, rekeying, site, scratch)
    ragged = [_no_ragged()]
    files = []
    for path in export.files:
        rows_read, unknown_columns = 0, Counter[str]()
        read_as, skipped = None, 0
        try:
            blocks = screened_blocks(path, kind, mapping, site, export.limits)
        except UnusableFileError as refusal:
            unread = (shown_name(path), size_of(path), 0, str(refusal))
            files.append(ReadFile(*unread, unknown_columns))
            continue
        for block in blocks:
            rows.add(block.table, path.name)
            if block.ragged.height:
                ragged.append(block.ragged.with_columns(source_file=pl.lit(path.name)))
            rows_read += block.table.height + block.ragged.height
            unknown_columns.update({name: values.count() for name, values in block.others})
            read_as, skipped = block.read_as, skipped + block.skipped
        read = (path.name, path.stat().st_size, rows_read, None)
        files.append(ReadFile(*read, unknown_columns, read_as, skipped))
    judged = rows.lazy()
    forgotten = rows.forgotten
    return Gathered(
        judged,
        pl.concat(ragged),
        tuple(replace(file, forgotten=forgotten[file.name]) for file in files),
        scratch,
    )


def screened_blocks(
    path: Path, kind: Kind, mapping: KindMapping, site: str, limits: Limits
) -> Iterable[Block]:
    """A file's blocks once all of them are known to be usable; a long file is read twice for that.

    Raises:
        UnusableFileError: the file as a whole cannot be used, or seems to hold identifiers.
    """
    if _text_bytes(path) <= WHOLE_BYTES:
        blocks = list(read_blocks(path, kind, mapping, site, limits))
        for block in blocks:
            screen(block, kind)
        return blocks
    for block in read_blocks(path, kind, mapping, site, limits):
        screen(block, kind)
    return _second_reading(path, kind, mapping, site, limits)


def _second_reading(
    path: Path, kind: Kind, mapping: KindMapping, site: str, limits: Limits
) -> Iterator[Block]:
    try:
        yield from read_blocks(path, kind, mapping, site, limits)
    except UnusableFileError as error:
        raise DataRefused(
            f"{path} changed while it was read: {error}", "Run again once it is whole."
        ) from None


class _Rows:
    """Rows as they come: judged and re-keyed many at once, then held in memory, or written in parts
    where a folder is given.

    Those of forgotten patients are kept nowhere; `forgotten` counts them by their file.
    """

    def __init__(self, judge: Judge, rekeying: Rekeying, site: str, folder: Path | None) -> None:
        self._judge = judge
        self._rekeying = rekeying
        self._site = site
        self._folder = folder
        self._waiting: list[tuple[str, Table]] = []
        self._judged: list[pl.DataFrame] = []
        self._written = 0
        self._rows = 0
        self.forgotten = Counter[str]()

    def add(self, rows: Table, file: str) -> None:
        """Take in rows of a file, all text."""
        self._waiting.append((file, rows))
        if sum(rows.height for _, rows in self._waiting) >= JUDGED_ROWS:
            self._judge_waiting()
        if self._folder and sum(frame.height for frame in self._judged) >= PART_ROWS:
            self._write_part(self._folder)

    def lazy(self) -> pl.LazyFrame:
        """All rows, in their order."""
        self._judge_waiting()
        if self._folder and self._rows:
            self._write_part(self._folder)
            return pl.scan_parquet(self._folder / "*.parquet")
        return pl.concat(self._judged or [_no_rows(self._judge.kind.name)]).lazy()

    def _judge_waiting(self) -> None:
        """Judge and re-key what waits, and note for each row where it stands."""
        waiting = [(file, rows) for file, rows in self._waiting if rows.height]
        self._waiting = []
        if not waiting:
            return
        judged = self._judge.judge(_as_one([rows for _, rows in waiting]))
        keys = [
            self._rekeying.key(key.stored_name, self._site, key.entity)
            for key in self._judge.kind.keys
        ]
        rekeyed = judged.worked_out([keys], judged.names).frame()
        files = pl.concat(pl.repeat(file, rows.height, eager=True) for file, rows in waiting)
        kept = self._without_forgotten(rekeyed.with_columns(files.alias("source_file")))
        positions = pl.int_range(self._rows, self._rows + kept.height).alias("position")
        self._judged.append(kept.with_columns(positions))
        self._rows += kept.height

    def _without_forgotten(self, rekeyed: pl.DataFrame) -> pl.DataFrame:
        if not self._judge.forgotten:
            return rekeyed
        theirs = is_theirs(rekeyed.columns, self._judge.forgotten)
        self.forgotten.update(rekeyed.filter(theirs)["source_file"])
        return rekeyed.filter(~theirs)

    def _write_part(self, folder: Path) -> None:
        if self._judged:
            part = folder / f"{self._written:06}.parquet"
            pl.concat(self._judged).write_parquet(part, compression="lz4")
            self._judged, self._written = [], self._written + 1


def _as_one(tables: Sequence[Table]) -> Table:
    if len(tables) == 1:
        return tables[0]
    return Table.of(pl.concat(table.frame() for table in tables))


@cache
def _no_rows(kind_name: str) -> pl.DataFrame:
    """No judged row, in the schema of judged and re-keyed ones."""
    kind = KINDS_BY_NAME[kind_name]
    cells = pl.DataFrame(schema=cells_schema(kind))
    return (
        Judge(kind, EARLIEST_DAY, ())
        .judge(Table.of(cells))
        .frame()
        .with_columns(pl.lit("").alias("source_file"), pl.lit(0, pl.Int64).alias("position"))
    )


@cache
def _no_ragged() -> pl.DataFrame:
    return pl.DataFrame(schema=RAGGED | {"source_file": pl.String()})
