"""The rows of a unit's files: screened, judged and re-keyed, in memory or in parts on the disk."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path

import polars as pl

from ingest.applying import Plan
from ingest.batches import Export
from ingest.checks import Judge
from ingest.contract import EARLIEST_DAY, KINDS_BY_NAME, Kind
from ingest.forgotten import is_theirs
from ingest.identifiers import is_unsuspected, screen
from ingest.keys import Rekeying
from ingest.mapping import KindMapping
from ingest.places import shown_name, size_of
from ingest.raw import RAGGED, Block, UnusableFileError, joined
from ingest.reading import WHOLE_BYTES, Part, cells_schema, read_blocks, read_parts
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
    rows = _Rows(judge, rekeying, export.batch.site, scratch)
    ragged = [_no_ragged()]
    files: list[ReadFile] = []
    for run in _runs(export, mapping):
        if block := _together(run, export.kind):
            rows.add(block.table, {file.path.name: file.height for file in run})
            files += (_taken_in_whole(file) for file in run)
        else:
            files += (_taken_in(file, rows, ragged) for file in run)
    judged = rows.lazy()
    forgotten = rows.forgotten
    return Gathered(
        judged,
        pl.concat(ragged),
        tuple(replace(file, forgotten=forgotten[file.name]) for file in files),
        scratch,
    )


def _taken_in(file: "_File", rows: "_Rows", ragged: list[pl.DataFrame]) -> ReadFile:
    """Take in a file by itself: its rows, and lines that are none."""
    path = file.path
    rows_read, unknown_columns = 0, Counter[str]()
    read_as, skipped = None, 0
    try:
        blocks = file.screened()
    except UnusableFileError as refusal:
        unread = (shown_name(path), size_of(path), 0, str(refusal))
        return ReadFile(*unread, unknown_columns)
    for block in blocks:
        rows.add(block.table, {path.name: block.table.height})
        if block.ragged.height:
            ragged.append(block.ragged.with_columns(source_file=pl.lit(path.name)))
        rows_read += block.table.height + block.ragged.height
        unknown_columns.update({name: values.count() for name, values in block.others})
        read_as, skipped = block.read_as, skipped + block.skipped
    read = (path.name, path.stat().st_size, rows_read, None)
    return ReadFile(*read, unknown_columns, read_as, skipped)


def _taken_in_whole(file: "_File") -> ReadFile:
    """A file of which every row was taken in, with others' or by itself."""
    read = (file.path.name, file.path.stat().st_size, file.height, None)
    return ReadFile(*read, Counter(), file.parts[0].raw.read_as)


@dataclass(frozen=True)
class _File:
    """A file of a unit: its parts as they were read, none where it is long or refused, and what
    gives its blocks by itself."""

    path: Path
    parts: Sequence[Part]
    screened: Callable[[], Iterable[Block]]

    @property
    def height(self) -> int:
        return sum(part.raw.height for part in self.parts)

    @property
    def joined_by(self) -> Plan | None:
        """The plan by which its rows can be mapped together with those of other files."""
        if self.parts and all(part.raw.is_plain for part in self.parts):
            return self.parts[0].plan
        return None


def _runs(export: Export, mapping: KindMapping) -> Iterator[list[_File]]:
    """A unit's files in their order, together where their rows can be mapped together."""
    run: list[_File] = []
    for path in export.files:
        file = _file(path, export, mapping)
        fits = run and file.joined_by and file.joined_by is run[0].joined_by
        if run and not (fits and sum(one.height for one in run) < JUDGED_ROWS):
            yield run
            run = []
        run.append(file)
    if run:
        yield run


def _file(path: Path, export: Export, mapping: KindMapping) -> _File:
    where = (path, export.kind, mapping, export.batch.site, export.limits)
    if _text_bytes(path) <= WHOLE_BYTES:
        try:
            parts = list(read_parts(*where))
        except UnusableFileError:
            pass
        else:
            return _File(path, parts, partial(_screened, parts, export.kind))
    return _File(path, (), partial(screened_blocks, *where))


def _together(run: Sequence[_File], kind: Kind) -> Block | None:
    """All rows of some files as one block; None where the files must be looked at one by one, as
    one of them might be refused, or not every row be taken in."""
    plan = run[0].joined_by
    if plan is None or plan.others or plan.wide:
        return None
    try:
        block = Part(plan, joined([part.raw for file in run for part in file.parts])).block()
    except UnusableFileError:
        return None
    is_whole = block.table.height == sum(file.height for file in run)
    is_beyond_doubt = not plan.leaves_doubt(block.table) and is_unsuspected(block.table, kind)
    return block if is_whole and is_beyond_doubt else None


def screened_blocks(
    path: Path, kind: Kind, mapping: KindMapping, site: str, limits: Limits
) -> Iterable[Block]:
    """A file's blocks once all of them are known to be usable; a long file is read twice for that.

    Raises:
        UnusableFileError: the file as a whole cannot be used, or seems to hold identifiers.
    """
    if _text_bytes(path) <= WHOLE_BYTES:
        return _screened(read_parts(path, kind, mapping, site, limits), kind)
    for block in read_blocks(path, kind, mapping, site, limits):
        screen(block, kind)
    return _second_reading(path, kind, mapping, site, limits)


def _screened(parts: Iterable[Part], kind: Kind) -> list[Block]:
    blocks = [part.block() for part in parts]
    for block in blocks:
        screen(block, kind)
    return blocks


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
        self._waiting: list[tuple[Table, Mapping[str, int]]] = []
        self._judged: list[pl.DataFrame] = []
        self._written = 0
        self._rows = 0
        self.forgotten = Counter[str]()

    def add(self, rows: Table, of_files: Mapping[str, int]) -> None:
        """Take in rows, all text, of which so many are of each file in turn."""
        self._waiting.append((rows, of_files))
        if sum(rows.height for rows, _ in self._waiting) >= JUDGED_ROWS:
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
        waiting = [(rows, of_files) for rows, of_files in self._waiting if rows.height]
        self._waiting = []
        if not waiting:
            return
        judged = self._judge.judge(_as_one([rows for rows, _ in waiting]))
        keys = [
            self._rekeying.key(key.stored_name, self._site, key.entity)
            for key in self._judge.kind.keys
        ]
        rekeyed = judged.worked_out([keys], judged.names).frame()
        files = pl.concat(
            pl.repeat(file, rows, eager=True)
            for _, of_files in waiting
            for file, rows in of_files.items()
        )
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
