"""Reads one export file as blocks of text, and refuses a file that cannot be read whole.

CSV is parsed by Arrow rather than by polars, which fills up a row that is too short: Arrow hands
over every row whose fields do not match the header, with its number.
"""

import codecs
import csv
import gzip
import io
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import time
from functools import cache
from pathlib import Path
from typing import IO

import polars as pl
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from ingest.contract import Kind
from ingest.places import place_fault

WHOLE_BYTES = 16 << 20  # a text up to this length is parsed from memory
BLOCK_BYTES = 4 << 20  # longest row, and about what a block of a longer text holds
BLOCK_ROWS = 65_536
HEADER_BYTES = 1 << 20
MOST_COLUMNS = 2_000
MOST_ROWS = 500_000_000
MOST_BYTES = 64 << 30  # of text, however small it is packed
FIRST_DATA_ROW = 2  # the header is row 1, as a spreadsheet counts
LINE_BREAK = r"[\r\n]"
NOT_READ = (
    OSError,
    EOFError,
    UnicodeDecodeError,  # a Parquet column's name
    zlib.error,
    pa.ArrowException,
    pl.exceptions.PolarsError,
    pl.exceptions.PanicException,
)
BYTE_ORDER_MARK = "\ufeff"
SINGLE_VALUES = (
    pa.types.is_string,
    pa.types.is_large_string,
    pa.types.is_string_view,
    pa.types.is_boolean,
    pa.types.is_integer,
    pa.types.is_floating,
    pa.types.is_decimal128,
    pa.types.is_date,
    pa.types.is_timestamp,
    pa.types.is_time,
    pa.types.is_null,
)
NO_TEXT = {  # beginning of a file -> what it is and what to do
    codecs.BOM_UTF32_LE: "It is UTF-32 text; save it as CSV in UTF-8.",
    codecs.BOM_UTF16_LE: "It is UTF-16 text; save it as CSV in UTF-8.",
    codecs.BOM_UTF16_BE: "It is UTF-16 text; save it as CSV in UTF-8.",
    b"\x1f\x8b": "It holds gzip, not text; unpack it, or let its name end in .csv.gz.",
    b"PAR1": "It holds Parquet, not text; let its name end in .parquet.",
    b"PK\x03\x04": "It holds a zip file or a workbook, not text; save it as CSV in UTF-8.",
}
RAGGED = pl.Schema({"source_row": pl.Int64, "line": pl.String})


class UnusableFileError(Exception):
    """A whole file is refused: the message says why and what to do, and nothing of its content."""


@dataclass(frozen=True)
class Block:
    """Part of a file, in its order.

    `rows` has `source_row` and every column of the kind as text without spaces around, empty cells
    as null. `ragged` has `source_row` and `line` of rows that don't fit the header. `others` has
    the values of the file's columns that the contract doesn't know, by their names.
    """

    rows: pl.DataFrame
    ragged: pl.DataFrame
    others: tuple[tuple[str, pl.Series], ...]


def cells_schema(kind: Kind) -> pl.Schema:
    """Schema of a block's rows."""
    return pl.Schema(
        {"source_row": pl.Int64()} | {column.name: pl.String() for column in kind.columns}
    )


def read_blocks(path: Path, kind: Kind) -> Iterator[Block]:
    """Read a file in blocks of bounded size, at least one; rows of only empty cells are none.

    Raises:
        UnusableFileError: the file as a whole cannot be used.
        OSError: the disk or the system does not hand it over, which says nothing of its content.
    """
    name = path.name.lower()
    if fault := place_fault(path):
        raise UnusableFileError(fault)
    try:
        if name.endswith(".xlsx"):
            raise UnusableFileError("XLSX is not read yet; save it as CSV in UTF-8.")
        if name.endswith(".parquet"):
            yield from _parquet_blocks(path, kind)
        else:
            yield from _csv_blocks(path, kind)
    except NOT_READ as error:
        if isinstance(error, OSError) and error.errno is not None:
            raise
        raise UnusableFileError(_in_words(error)) from None


def _in_words(error: Exception) -> str:
    """A reader's failure in one line; its own words may hold content, so none of them is used."""
    if "straddl" in str(error):
        return (
            f"A row is longer than {BLOCK_BYTES:,} bytes, or a quotation mark is not closed; "
            "correct it and export again."
        )
    if isinstance(error, EOFError | zlib.error | gzip.BadGzipFile):
        return "It is no whole gzip file; it may have been cut off. Copy or export it again."
    return "It cannot be read as what its name says it is; export it again."


@dataclass(frozen=True)
class _Layout:
    """Where a file's columns stand; a position is given as text, as it names Arrow's columns."""

    names: tuple[str, ...]
    known: dict[str, str]  # the contract's name -> position
    others: tuple[tuple[str, str], ...]  # the file's own names, each with its position

    @property
    def positions(self) -> list[str]:
        return [str(position) for position in range(len(self.names))]


def _layout(header: list[str], kind: Kind) -> _Layout:
    names = tuple(name.strip().lower() for name in header)
    if len(names) > MOST_COLUMNS:
        raise UnusableFileError(
            f"It has {len(names):,} columns, more than {MOST_COLUMNS:,}; export fewer."
        )
    if not any(names):
        raise UnusableFileError(
            "Its first line is empty, where the header should stand; remove the line."
        )
    for column in kind.columns:
        if names.count(column.name) > 1:
            raise UnusableFileError(f"The column {column.name} stands in it twice; leave one out.")
        if column.required and column.name not in names:
            raise UnusableFileError(_missing_column(column.name, names, kind))
    ours = {column.name for column in kind.columns}
    placed = [(name, str(position)) for position, name in enumerate(names)]
    return _Layout(
        names,
        {name: position for name, position in placed if name in ours},
        tuple((name, position) for name, position in placed if name not in ours),
    )


def _missing_column(name: str, names: tuple[str, ...], kind: Kind) -> str:
    if len(names) == 1 and any(mark in names[0] for mark in ";\t|"):
        return "Its columns are not separated by commas; save it as CSV with commas."
    if not any(column.name in names for column in kind.columns):
        return (
            f"Its first line names no column of {kind.name}; let the header, such as "
            f"{name},..., be the first line."
        )
    return f"The required column {name} is missing; add it and export again."


class _Text(io.RawIOBase):
    """A stream of bytes that must be UTF-8 without NUL; ends its last line where that is open."""

    def __init__(self, source: IO[bytes]) -> None:
        self._source = source
        self._decoder = codecs.getincrementaldecoder("utf-8")()
        self._ahead = b""
        self._bytes = 0
        self._line = 1
        self._line_is_open = False
        self.has_quotes = False

    def readable(self) -> bool:
        return True

    def peek(self, size: int) -> bytes:
        """The next bytes, fewer than `size` only where the text ends; they are read again later."""
        while len(self._ahead) < size and (chunk := self._next(size - len(self._ahead))):
            self._ahead += chunk
        return self._ahead

    def read(self, size: int = -1) -> bytes:
        if self._ahead:
            end = len(self._ahead) if size < 0 else size
            chunk, self._ahead = self._ahead[:end], self._ahead[end:]
            return chunk
        return self._next(size)

    def _next(self, size: int) -> bytes:
        chunk = self._source.read(size)
        self._bytes += len(chunk)
        if self._bytes > MOST_BYTES:
            raise UnusableFileError(
                f"It is longer than {MOST_BYTES:,} bytes of text; export it in several files."
            )
        self._check(chunk)
        if not chunk and self._line_is_open:
            chunk = b"\n"
        self._line += chunk.count(b"\n")
        self._line_is_open = bool(chunk) and not chunk.endswith((b"\n", b"\r"))
        self.has_quotes = self.has_quotes or b'"' in chunk
        return chunk

    def _check(self, chunk: bytes) -> None:
        if self._bytes == len(chunk):
            for beginning, what in NO_TEXT.items():
                if chunk.startswith(beginning):
                    raise UnusableFileError(what)
        nul = chunk.find(b"\0")
        if nul >= 0:
            line = self._line + chunk.count(b"\n", 0, nul)
            raise UnusableFileError(
                f"Line {line} holds a NUL byte, as no text does; export it as CSV in UTF-8."
            )
        if chunk.isascii() and chunk and not self._decoder.getstate()[0]:
            return
        try:
            self._decoder.decode(chunk, final=not chunk)
        except UnicodeDecodeError as error:
            line = self._line + error.object.count(b"\n", 0, error.start)
            raise UnusableFileError(f"Line {line} is not UTF-8; save it as CSV in UTF-8.") from None


def _csv_blocks(path: Path, kind: Kind) -> Iterator[Block]:
    with gzip.open(path) if path.name.lower().endswith(".gz") else path.open("rb") as source:
        text = _Text(source)  # type: ignore[arg-type]  # a gzip file reads like any other
        start = text.peek(WHOLE_BYTES)
        layout = _layout(_csv_header(start), kind)
        ragged: list[tuple[int, str]] = []

        def keep_ragged(row: pyarrow.csv.InvalidRow) -> str:
            ragged.append((row.number, row.text))
            return "skip"

        reader = pyarrow.csv.open_csv(
            pa.BufferReader(start) if len(start) < WHOLE_BYTES else text,
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
        first, handed_on = FIRST_DATA_ROW, 0
        for batch in reader:
            until = len(ragged)
            left_out = [number for number, _ in ragged[:until] if number >= first]
            rows = _row_numbers(first, batch.num_rows, left_out)
            block = _block(layout, kind, pl.DataFrame(batch), rows, ragged[handed_on:until])
            yield _without_line_breaks(block) if text.has_quotes else block
            first, handed_on = rows[-1] + 1 if rows.len() else first, until
            _refuse_too_many_rows(first)
        if ragged[handed_on:] or first == FIRST_DATA_ROW:
            yield _without_line_breaks(_last_block(layout, kind, ragged[handed_on:]))


def _csv_header(start: bytes) -> list[str]:
    if not start:
        raise UnusableFileError("It is empty; export it again, with the header at least.")
    first_line = re.split(rb"[\r\n]", start[: HEADER_BYTES + 1], maxsplit=1)[0]
    if len(first_line) > HEADER_BYTES:
        raise UnusableFileError(
            f"Its first line is longer than {HEADER_BYTES:,} bytes, so it is no header of columns; "
            "export it again."
        )
    text = first_line.decode(errors="ignore").lstrip(BYTE_ORDER_MARK)
    try:
        return next(csv.reader([text], strict=True))
    except (csv.Error, StopIteration):
        raise UnusableFileError("Its first line is no header of columns; correct it.") from None


def _refuse_too_many_rows(next_row: int) -> None:
    if next_row - FIRST_DATA_ROW > MOST_ROWS:
        raise UnusableFileError(f"It has more than {MOST_ROWS:,} rows; export it in several files.")


def _row_numbers(first: int, count: int, left_out: list[int]) -> pl.Series:
    """`count` row numbers from `first` on, without those left out."""
    numbers = pl.int_range(first, first + count + len(left_out), eager=True)
    if left_out:
        numbers = numbers.filter(~numbers.is_in(left_out))
    return numbers.head(count).alias("source_row")


def _parquet_blocks(path: Path, kind: Kind) -> Iterator[Block]:
    with pyarrow.parquet.ParquetFile(path) as file:
        layout = _layout(file.schema_arrow.names, kind)
        for position, type_ in enumerate(file.schema_arrow.types, start=1):
            if not _is_single_value(type_):
                raise UnusableFileError(
                    f"Column {position} of it holds no texts, numbers, days or yes and no; "
                    "export it as such or leave it out."
                )
        first = FIRST_DATA_ROW
        for batch in file.iter_batches(batch_size=BLOCK_ROWS):
            batch.validate(full=True)  # polars takes it for granted that text is UTF-8
            table = pl.DataFrame(batch.rename_columns(layout.positions))
            cells = table.select(_as_text(name, type_) for name, type_ in table.schema.items())
            yield _block(layout, kind, cells, _row_numbers(first, batch.num_rows, []), [])
            first += batch.num_rows
            _refuse_too_many_rows(first)
        if first == FIRST_DATA_ROW:
            yield _last_block(layout, kind, [])


def _is_single_value(type_: pa.DataType) -> bool:
    """Whether polars can take a type over and write it as a cell's text."""
    if pa.types.is_dictionary(type_):
        return _is_single_value(type_.value_type)
    return any(is_such(type_) for is_such in SINGLE_VALUES)


def _as_text(name: str, type_: pl.DataType) -> pl.Expr:
    """A typed column as the text that a CSV of the contract would hold."""
    value = pl.col(name)
    if type_ == pl.Boolean:
        return pl.when(value).then(pl.lit("yes")).when(~value).then(pl.lit("no")).alias(name)
    if isinstance(type_, pl.Datetime):
        at_midnight = value.dt.time() == time(0)
        day, moment = value.dt.to_string("%Y-%m-%d"), value.dt.to_string("iso")
        return pl.when(at_midnight).then(day).otherwise(moment)
    return value.cast(pl.String)


def _block(
    layout: _Layout,
    kind: Kind,
    cells: pl.DataFrame,
    numbers: pl.Series,
    ragged: list[tuple[int, str]],
) -> Block:
    names = cells_schema(kind).names()[1:]
    cells = cells.select(
        numbers,
        *(
            _cleaned(layout.known[name], name)
            if name in layout.known
            else pl.lit(None, pl.String).alias(name)
            for name in names
        ),
        *(_cleaned(position, position) for _, position in layout.others),
    )
    if cells[kind.grain[0]].has_nulls():
        cells = cells.filter(~pl.all_horizontal(pl.exclude("source_row").is_null()))
    return Block(
        cells.select("source_row", *names),
        pl.DataFrame(ragged, schema=RAGGED, orient="row"),
        tuple((name, cells[position]) for name, position in layout.others),
    )


def _last_block(layout: _Layout, kind: Kind, ragged: list[tuple[int, str]]) -> Block:
    """What is left when all regular rows are handed on."""
    nothing = pl.DataFrame(schema=dict.fromkeys(layout.positions, pl.String))
    return _block(layout, kind, nothing, _row_numbers(0, 0, []), ragged)


@cache
def _cleaned(position: str, name: str) -> pl.Expr:
    return pl.col(position).str.strip_chars().replace("", None).alias(name)


def _without_line_breaks(block: Block) -> Block:
    """No cell of the contract holds a line break: one that does has swallowed the rows after it.

    Raises:
        UnusableFileError: telling the first such row.
    """
    broken = block.rows.filter(
        pl.any_horizontal(pl.exclude("source_row").str.contains(LINE_BREAK))
    )["source_row"]
    broken.extend(block.ragged.filter(pl.col("line").str.contains(LINE_BREAK))["source_row"])
    if broken.len():
        raise UnusableFileError(
            f"Row {broken.sort()[0]} runs over several lines, so a quotation mark is probably not "
            "closed; correct it and export again."
        )
    return block
