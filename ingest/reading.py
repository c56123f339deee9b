"""Reads one export file as blocks of text, and refuses a file that cannot be read whole.

CSV is parsed by Arrow rather than by polars, which pads a row that is too short: Arrow hands over
every row whose fields do not match the header, with its number.
"""

import codecs
import csv
import gzip
import io
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import polars as pl
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from ingest.contract import Kind

BLOCK_BYTES = 4 << 20
BLOCK_ROWS = 65_536
HEADER_BYTES = 1 << 20
MOST_COLUMNS = 2_000
FIRST_DATA_ROW = 2  # the header is row 1, as a spreadsheet counts
LINE_BREAK = r"[\r\n]"


RAGGED = pl.Schema({"source_row": pl.Int64, "line": pl.String})


def cells_schema(kind: Kind) -> pl.Schema:
    """Schema of a block's rows."""
    return pl.Schema(
        {"source_row": pl.Int64()} | {column.name: pl.String() for column in kind.columns}
    )


class UnusableFileError(Exception):
    """A whole file is refused: the message says why and what to do, and nothing of its content."""


@dataclass(frozen=True)
class Block:
    """Part of a file.

    `rows` has `source_row` and every column of the kind as text without spaces around, empty cells
    as null. `ragged` has `source_row` and `line` of rows that don't fit the header. `others` has
    the values of the file's columns that the contract doesn't know, by their names.
    """

    rows: pl.DataFrame
    ragged: pl.DataFrame
    others: dict[str, pl.Series]


def read_blocks(path: Path, kind: Kind) -> Iterator[Block]:
    """Read a file in its order, in blocks of bounded size. Rows whose cells are all empty are none.

    Raises:
        UnusableFileError: the file as a whole cannot be used.
    """
    name = path.name.lower()
    try:
        if path.is_dir():
            raise UnusableFileError("It is a folder, not a file; remove it or rename it.")
        if name.endswith(".xlsx"):
            raise UnusableFileError(
                "XLSX is not read yet; save it as CSV (UTF-8) and put that here."
            )
        if name.endswith(".parquet"):
            yield from _parquet_blocks(path, kind)
        else:
            yield from _csv_blocks(path, kind)
    except (OSError, EOFError, zlib.error, pa.ArrowException, pl.exceptions.PolarsError) as error:
        raise UnusableFileError(_in_words(error)) from None


def _in_words(error: Exception) -> str:
    """A reader's failure in one line; the reader's own words may hold content, so none is used."""
    if "straddl" in str(error):
        return (
            f"A row is longer than {BLOCK_BYTES >> 20} MB, or a quotation mark is not closed; "
            "correct it and export again."
        )
    if isinstance(error, EOFError | zlib.error | gzip.BadGzipFile):
        return "It is no whole gzip file; it may be cut off. Export or copy it again."
    if isinstance(error, OSError) and error.strerror:
        return f"It cannot be read ({error.strerror}); check the file and its permissions."
    return "It cannot be read as what its name says it is; export it again."


class _Text(io.RawIOBase):
    """A stream of bytes that must be UTF-8 without NUL; ends its last line where that is open."""

    def __init__(self, source: IO[bytes]) -> None:
        self._source = source
        self._decoder = codecs.getincrementaldecoder("utf-8")()
        self._lines = 0
        self._ended = True

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        chunk = self._source.read(size)
        if not chunk:
            self._check(b"", final=True)
            chunk, self._ended = (b"" if self._ended else b"\n"), True
            return chunk
        self._check(chunk, final=False)
        self._lines += chunk.count(b"\n")
        self._ended = chunk.endswith((b"\n", b"\r"))
        return chunk

    def _check(self, chunk: bytes, final: bool) -> None:
        if self._lines == 0 and chunk.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            raise UnusableFileError("It is UTF-16 text; save it as CSV in UTF-8.")
        nul = chunk.find(b"\0")
        if nul >= 0:
            row = self._lines + chunk.count(b"\n", 0, nul) + 1
            raise UnusableFileError(
                f"Line {row} holds a NUL byte, which no text does; export it again."
            )
        if chunk.isascii() and not self._decoder.getstate()[0] and not final:
            return
        try:
            self._decoder.decode(chunk, final)
        except UnicodeDecodeError as error:
            row = self._lines + error.object.count(b"\n", 0, error.start) + 1
            raise UnusableFileError(f"Line {row} is not UTF-8; save it as CSV in UTF-8.") from None


def _open(path: Path) -> IO[bytes]:
    if path.name.lower().endswith(".gz"):
        return gzip.open(path)  # type: ignore[return-value]
    return path.open("rb")


@dataclass(frozen=True)
class _Layout:
    """Where a file's columns stand: positions (as text) of the kind's columns, and all others."""

    names: tuple[str, ...]
    known: dict[str, str]  # the contract's name -> position

    @property
    def positions(self) -> list[str]:
        return [str(position) for position in range(len(self.names))]

    @property
    def no_cells(self) -> pl.DataFrame:
        return pl.DataFrame(schema=dict.fromkeys(self.positions, pl.String))

    @property
    def others(self) -> dict[str, str]:
        """Position -> the file's own name, of columns that the contract doesn't know."""
        known = set(self.known.values())
        return {at: self.names[int(at)] for at in self.positions if at not in known}


def _layout(header: list[str], kind: Kind) -> _Layout:
    names = tuple(name.strip().lower() for name in header)
    if len(names) > MOST_COLUMNS:
        raise UnusableFileError(f"It has {len(names)} columns, over {MOST_COLUMNS}; export fewer.")
    for column in kind.columns:
        if names.count(column.name) > 1:
            raise UnusableFileError(f"The column {column.name} stands in it twice; leave one out.")
        if column.required and column.name not in names:
            raise UnusableFileError(_missing_column(column.name, names))
    return _Layout(
        names,
        {
            column.name: str(names.index(column.name))
            for column in kind.columns
            if column.name in names
        },
    )


def _missing_column(name: str, names: tuple[str, ...]) -> str:
    if len(names) == 1 and any(mark in names[0] for mark in ";\t|"):
        return "Its columns are not separated by commas; save it as CSV with commas."
    return f"The required column {name} is missing; add it and export again."


def _csv_blocks(path: Path, kind: Kind) -> Iterator[Block]:
    with _open(path) as source:
        layout = _layout(_csv_header(_Text(source)), kind)
    ragged: list[tuple[int, str]] = []

    def keep_ragged(row: pyarrow.csv.InvalidRow) -> str:
        ragged.append((row.number, row.text))
        return "skip"

    with _open(path) as source:
        reader = pyarrow.csv.open_csv(
            _Text(source),
            pyarrow.csv.ReadOptions(
                use_threads=False,  # else a row has no number
                block_size=BLOCK_BYTES,
                skip_rows=1,
                column_names=layout.positions,
            ),
            pyarrow.csv.ParseOptions(
                newlines_in_values=True,
                ignore_empty_lines=False,
                invalid_row_handler=keep_ragged,
            ),
            pyarrow.csv.ConvertOptions(
                column_types=dict.fromkeys(layout.positions, pa.large_string()),
                strings_can_be_null=False,
                check_utf8=False,
            ),
        )
        next_row = FIRST_DATA_ROW
        handed = 0
        for batch in reader:
            numbers = _numbers(next_row, batch.num_rows, [row for row, _ in ragged])
            next_row = numbers[-1] + 1 if batch.num_rows else next_row
            until = len(ragged)
            yield _block(pl.DataFrame(batch), numbers, ragged[handed:until], layout, kind)
            handed = until
        yield _block(layout.no_cells, _numbers(0, 0, []), ragged[handed:], layout, kind)


def _csv_header(text: _Text) -> list[str]:
    start = text.read(HEADER_BYTES)
    if not start:
        raise UnusableFileError("It is empty; export it again, with the header at least.")
    lines = start.decode("utf-8-sig", errors="ignore").splitlines()
    if len(start) >= HEADER_BYTES and len(lines) < 2:
        raise UnusableFileError("Its first line is longer than 1 MB, so it is no header.")
    try:
        header = next(csv.reader(lines[:1], strict=True))
    except (csv.Error, StopIteration):
        raise UnusableFileError(
            "Its first line is no header of column names; correct it."
        ) from None
    return header


def _numbers(first: int, count: int, left_out: list[int]) -> pl.Series:
    """`count` row numbers from `first` on, without those left out."""
    numbers = pl.int_range(first, first + count + len(left_out), eager=True)
    if left_out:
        numbers = numbers.filter(~numbers.is_in(left_out))
    return numbers.head(count).alias("source_row")


def _block(
    cells: pl.DataFrame,
    numbers: pl.Series,
    ragged: list[tuple[int, str]],
    layout: _Layout,
    kind: Kind,
) -> Block:
    if any("\n" in text or "\r" in text for _, text in ragged):
        raise UnusableFileError(_open_quote(next(row for row, text in ragged if "\n" in text)))
    cells = cells.select(pl.all().str.strip_chars().replace("", None)).insert_column(0, numbers)
    cells = cells.filter(~pl.all_horizontal(pl.exclude("source_row").is_null()))
    rows = cells.select(
        pl.col(layout.known[name]).alias(name)
        if name in layout.known
        else pl.lit(None, pl.String).alias(name)
        for name in cells_schema(kind).names()[1:]
    ).insert_column(0, cells["source_row"])
    broken = rows.filter(pl.any_horizontal(pl.exclude("source_row").str.contains(LINE_BREAK)))
    if broken.height:
        raise UnusableFileError(_open_quote(broken["source_row"][0]))
    return Block(
        rows,
        pl.DataFrame(ragged, schema=RAGGED, orient="row"),
        {name: cells[at] for at, name in layout.others.items()},
    )


def _open_quote(row: int) -> str:
    return (
        f"Row {row}: a value runs over several lines, so a quotation mark is probably not closed; "
        "correct it and export again."
    )


def _parquet_blocks(path: Path, kind: Kind) -> Iterator[Block]:
    with pyarrow.parquet.ParquetFile(path) as file:
        layout = _layout(file.schema_arrow.names, kind)
        next_row = FIRST_DATA_ROW
        yield _block(layout.no_cells, _numbers(0, 0, []), [], layout, kind)
        for batch in file.iter_batches(batch_size=BLOCK_ROWS):
            table = pl.DataFrame(batch.rename_columns(layout.positions))
            cells = table.select(_as_text(name, type_) for name, type_ in table.schema.items())
            yield _block(cells, _numbers(next_row, batch.num_rows, []), [], layout, kind)
            next_row += batch.num_rows


def _as_text(name: str, type_: pl.DataType) -> pl.Expr:
    """A typed column as the text that a CSV of the contract would hold."""
    value = pl.col(name)
    if type_ == pl.Boolean:
        return pl.when(value).then(pl.lit("yes")).when(~value).then(pl.lit("no")).alias(name)
    if isinstance(type_, pl.Datetime):
        midnight = value.dt.time() == pl.time(0, 0)
        return (
            pl.when(midnight)
            .then(value.dt.to_string("%Y-%m-%d"))
            .otherwise(value.dt.to_string("iso"))
        )
    if type_.is_nested() or type_ == pl.Binary:
        raise UnusableFileError(
            "A column holds lists or bytes instead of single values; export values."
        )
    return value.cast(pl.String)
