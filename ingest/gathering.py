"""The rows of a unit's files: screened, judged and re-keyed, in memory or in parts on the disk."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
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
from pipeline.errors import DataRefused

IN_MEMORY_BYTES = 4 * WHOLE_BYTES  # of a unit's files together
PART_ROWS = 500_000
KEY_DIGITS = "0123456789abcdef"  # in the order in which text is sorted
TEXT_IN_PACKED = 8  # bytes of text in a byte of gzip or Parquet, as exports go


@dataclass(frozen=True)
class ReadFile:
    """One file as read; a refused one has no row."""

    name: str
    bytes: int
    rows_read: int
    forgotten: int  # rows read of forgotten patients, and dropped
    refusal: str | None
    unknown_columns: Counter[str]  # column -> values in it
    read_as: str | None = None
    skipped: int = 0  # rows that the mapping leaves out


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
    rows = _Rows(kind, judge.forgotten, scratch)
    ragged = [_no_ragged()]
    files = []
    for path in export.files:
        rows_read, forgotten, unknown_columns = 0, 0, Counter[str]()
        read_as, skipped = None, 0
        try:
            blocks = screened_blocks(path, kind, mapping, site)
        except UnusableFileError as refusal:
            unread = (shown_name(path), size_of(path), 0, 0)
            files.append(ReadFile(*unread, str(refusal), unknown_columns))
            continue
        for block in blocks:
            kept = rows.add(judge.judge(block.rows), path.name, site, rekeying)
            forgotten += block.rows.height - kept
            if block.ragged.height:
                ragged.append(block.ragged.with_columns(source_file=pl.lit(path.name)))
            rows_read += block.rows.height + block.ragged.height
            unknown_columns.update({name: values.count() for name, values in block.others})
            read_as, skipped = block.read_as, skipped + block.skipped
        read = (path.name, path.stat().st_size, rows_read, forgotten)
        files.append(ReadFile(*read, None, unknown_columns, read_as, skipped))
    return Gathered(rows.lazy(), pl.concat(ragged), tuple(files), scratch)


def screened_blocks(path: Path, kind: Kind, mapping: KindMapping, site: str) -> Iterable[Block]:
    """A file's blocks once all of them are known to be usable; a long file is read twice for that.

    Raises:
        UnusableFileError: the file as a whole cannot be used, or seems to hold identifiers.
    """
    if _text_bytes(path) <= WHOLE_BYTES:
        blocks = list(read_blocks(path, kind, mapping, site))
        for block in blocks:
            screen(block, kind)
        return blocks
    for block in read_blocks(path, kind, mapping, site):
        screen(block, kind)
    return _second_reading(path, kind, mapping, site)


def _second_reading(path: Path, kind: Kind, mapping: KindMapping, site: str) -> Iterator[Block]:
    try:
        yield from read_blocks(path, kind, mapping, site)
    except UnusableFileError as error:
        raise DataRefused(
            f"{path} changed while it was read: {error}", "Run again once it is whole."
        ) from None


class _Rows:
    """Judged rows as they come: held in memory, or written in parts where a folder is given.

    Those of forgotten patients are kept nowhere.
    """

    def __init__(self, kind: Kind, forgotten: frozenset[str], folder: Path | None) -> None:
        self._kind = kind
        self._forgotten = forgotten
        self._folder = folder
        self._frames: list[pl.DataFrame] = []
        self._written = 0
        self._rows = 0

    def add(self, judged: pl.DataFrame, file: str, site: str, rekeying: Rekeying) -> int:
        """Keep rows under their new keys, with the place where each stood; how many were kept."""
        rekeyed = judged.with_columns(
            rekeying.keys(judged[key.stored_name], site, key.entity) for key in self._kind.keys
        )
        if self._forgotten:
            rekeyed = rekeyed.filter(~is_theirs(rekeyed.columns, self._forgotten))
        if rekeyed.is_empty():
            return 0
        self._frames.append(
            rekeyed.with_columns(
                pl.lit(file).alias("source_file"),
                pl.int_range(self._rows, self._rows + rekeyed.height).alias("position"),
            )
        )
        self._rows += rekeyed.height
        if self._folder and sum(frame.height for frame in self._frames) >= PART_ROWS:
            self._write_part(self._folder)
        return rekeyed.height

    def lazy(self) -> pl.LazyFrame:
        """All rows, in their order."""
        if self._folder and self._rows:
            self._write_part(self._folder)
            return pl.scan_parquet(self._folder / "*.parquet")
        return pl.concat(self._frames or [_no_rows(self._kind.name)]).lazy()

    def _write_part(self, folder: Path) -> None:
        if self._frames:
            part = folder / f"{self._written:06}.parquet"
            pl.concat(self._frames).write_parquet(part, compression="lz4")
            self._frames, self._written = [], self._written + 1


@cache
def _no_rows(kind_name: str) -> pl.DataFrame:
    """No judged row, in the schema of judged and re-keyed ones."""
    kind = KINDS_BY_NAME[kind_name]
    cells = pl.DataFrame(schema=cells_schema(kind))
    return (
        Judge(kind, EARLIEST_DAY, ())
        .judge(cells)
        .with_columns(pl.lit("").alias("source_file"), pl.lit(0, pl.Int64).alias("position"))
    )


@cache
def _no_ragged() -> pl.DataFrame:
    return pl.DataFrame(schema=RAGGED | {"source_file": pl.String()})
