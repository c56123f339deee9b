"""Reads one export file as blocks of text, and refuses a file that cannot be read whole.

CSV is parsed by Arrow rather than by polars, which fills up a row that is too short: Arrow hands
over every row whose fields do not match the header, with its number.
"""

import codecs
import csv
import gzip
import io
import re
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import time
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from ingest.applying import Plan, fits, plan, refuse_many_columns
from ingest.contract import Kind
from ingest.encodings import BOM_BYTES, Bytes, Transcoded, encoding_of
from ingest.mapping import AS_CONTRACT, DELIMITERS, ENCODINGS, Form, KindMapping
from ingest.places import place_fault, size_of
from ingest.raw import RAGGED, Block, Raw, UnusableFileError
from ingest.sheets import sheet_blocks
from pipeline.settings import NO_LOWER, Limits

WHOLE_BYTES = 16 << 20  # a text up to this length is parsed from memory
BLOCK_BYTES = 4 << 20  # longest row, and about what a block of a longer text holds
BLOCK_ROWS = 65_536
HEADER_BYTES = 1 << 20
MOST_ROWS = NO_LOWER.rows
MOST_BYTES = 64 << 30  # of text, however small it is packed
MOST_GROUP_BYTES = 2 << 30  # of a Parquet row group, unpacked
MOST_TIMES = 500  # that a gzip may unpack to of its own length; exports pack to some tenth
FEW_BYTES = 64 << 20  # up to which no ratio counts
FIRST_DATA_ROW = 2  # the header is row 1, as a spreadsheet counts
PARQUET = "Parquet"
_NO_RAGGED = pl.DataFrame(schema=RAGGED)
NOT_READ = (
    OSError,
    EOFError,
    UnicodeDecodeError,  # a Parquet column's name
    zlib.error,
    zipfile.BadZipFile,
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
    b"\x1f\x8b": "It holds gzip, not text; unpack it, or let its name end in .csv.gz.",
    b"PAR1": "It holds Parquet, not text; let its name end in .parquet.",
    b"PK\x03\x04": "It holds a zip file or a workbook, not text; save it as CSV in UTF-8.",
}


def cells_schema(kind: Kind) -> pl.Schema:
    """Schema of a block's rows."""
    return pl.Schema(
        {"source_row": pl.Int64()} | {column.name: pl.String() for column in kind.columns}
    )


@dataclass(frozen=True)
class Part:
    """Part of a file as it was read, and the plan of how it is mapped."""

    plan: Plan
    raw: Raw

    def block(self) -> Block:
        """The part in the contract's shape.

        Raises:
            UnusableFileError: the file as a whole cannot be used.
        """
        with _failures_in_words():
            return self.plan.block(self.raw)


def read_blocks(
    path: Path,
    kind: Kind,
    mapping: KindMapping = AS_CONTRACT,
    site: str = "<site>",
    limits: Limits = NO_LOWER,
) -> Iterator[Block]:
    """Read a file in blocks of bounded size, at least one; rows of only empty cells are none.

    `limits` are the group's own; the reader's hold beside them.

    Raises:
        UnusableFileError: the file as a whole cannot be used.
        OSError: the disk or the system does not hand it over, which says nothing of its content.
    """
    for part in read_parts(path, kind, mapping, site, limits):
        yield part.block()


def read_parts(
    path: Path, kind: Kind, mapping: KindMapping, site: str, limits: Limits
) -> Iterator[Part]:
    """Read a file as `read_blocks` does, and leave its parts to be mapped."""
    where = f"mappings/{site}.toml"
    if fault := place_fault(path):
        raise UnusableFileError(fault)
    with _failures_in_words():
        _refuse_longer(path, limits.file_mb)
        whole, rows = None, 0
        for raw in read_raw(path, mapping, where, lambda names: fits(names, kind, mapping)):
            refuse_many_columns(len(raw.names), limits.columns)
            rows += raw.height
            _refuse_many_rows(rows, limits.rows)
            whole = whole or plan(raw, kind, mapping, where)
            yield Part(whole, raw)


def read_raw(
    path: Path, form: Form, where: str, fits: Callable[[list[str]], bool]
) -> Iterator[Raw]:
    """A file's cells as they stand; `fits` tells the header that commas or semicolons part right.

    Raises:
        UnusableFileError: it cannot be read, or could be read in more than one way.
    """
    name = path.name.lower()
    if name.endswith(".xlsx"):
        yield from sheet_blocks(path, form, where)
    elif name.endswith(".parquet"):
        yield from _parquet_blocks(path)
    else:
        yield from _csv_blocks(path, form, where, fits)


@contextmanager
def _failures_in_words() -> Iterator[None]:
    try:
        yield
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


class _Text(io.RawIOBase):
    """A stream of bytes that must be UTF-8 without NUL; ends its last line where that is open."""

    def __init__(self, source: Bytes, where: str, packed: int | None = None) -> None:
        """`packed` is the length of the file where it holds gzip."""
        self._source = source
        self._where = where
        self._most = MOST_BYTES if packed is None else max(FEW_BYTES, MOST_TIMES * packed)
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
        if self._bytes > self._most:
            raise UnusableFileError(
                f"It unpacks to more than {MOST_TIMES} times its length, as no export does; export "
                "it again without packing it."
            )
        self._check(chunk)
        if not chunk and self._line_is_open:
            chunk = b"\n"
        self._line += chunk.count(b"\n")
        self._line_is_open = bool(chunk) and not chunk.endswith((b"\n", b"\r"))
        self.has_quotes = self.has_quotes or b'"' in chunk
        return chunk

    def _check(self, chunk: bytes) -> None:
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
            raise UnusableFileError(
                f"Line {line} is not UTF-8; save it as CSV in UTF-8, or if it is Windows-1252, say "
                f'encoding = "windows-1252" in {self._where}.'
            ) from None


def _csv_blocks(
    path: Path, form: Form, where: str, fits: Callable[[list[str]], bool]
) -> Iterator[Raw]:
    packed = path.stat().st_size if path.name.lower().endswith(".gz") else None
    with path.open("rb") if packed is None else gzip.open(path) as source:
        start = source.peek(BOM_BYTES)
        for beginning, what in NO_TEXT.items():
            if start.startswith(beginning):
                raise UnusableFileError(what)
        encoding = encoding_of(start[:BOM_BYTES], form, where)
        plain = source if encoding == "utf-8" else Transcoded(source, encoding, where)
        text = _Text(plain, where, packed)
        start = text.peek(WHOLE_BYTES)
        line = _line(start, form.header_row)
        delimiter = form.delimiter or _delimiter(line, where, fits)
        names = tuple(_parted(line, delimiter))
        positions = [str(position) for position in range(len(names))]
        read_as = f"CSV, {ENCODINGS[encoding]}, {DELIMITERS[delimiter]}"
        ragged: list[tuple[int, str]] = []

        def keep_ragged(row: pyarrow.csv.InvalidRow) -> str:
            ragged.append((row.number, row.text))
            return "skip"

        reader = pyarrow.csv.open_csv(
            pa.BufferReader(start) if len(start) < WHOLE_BYTES else text,
            pyarrow.csv.ReadOptions(
                use_threads=False,  # else a row has no number
                block_size=BLOCK_BYTES,
                skip_rows=form.header_row,
                column_names=positions,
            ),
            pyarrow.csv.ParseOptions(
                delimiter=delimiter,
                newlines_in_values=True,
                ignore_empty_lines=False,
                invalid_row_handler=keep_ragged,
            ),
            pyarrow.csv.ConvertOptions(
                column_types=dict.fromkeys(positions, pa.large_string()),
                strings_can_be_null=False,
                check_utf8=False,
            ),
        )

        def raw(texts: pa.RecordBatch, numbers: pl.Series, ragged: list[tuple[int, str]]) -> Raw:
            return Raw(
                names,
                texts,
                numbers,
                pl.DataFrame(ragged, schema=RAGGED, orient="row") if ragged else _NO_RAGGED,
                read_as,
                text.has_quotes,
                found_by=("header_row", "delimiter"),
            )

        data_row = form.header_row + 1
        first, handed_on = data_row, 0
        for batch in reader:
            until = len(ragged)
            left_out = [number for number, _ in ragged[:until] if number >= first]
            rows = _row_numbers(first, batch.num_rows, left_out)
            yield raw(batch, rows, ragged[handed_on:until])
            first, handed_on = rows[-1] + 1 if rows.len() else first, until
            _refuse_too_many_rows(first)
        if ragged[handed_on:] or first == data_row:
            yield raw(_no_texts(positions), _row_numbers(0, 0, []), ragged[handed_on:])


def _line(start: bytes, number: int) -> str:
    """The line of a text's start that is the header."""
    lines = start[: HEADER_BYTES + 1].decode(errors="ignore").lstrip(BYTE_ORDER_MARK)
    if not lines.strip():
        raise UnusableFileError("It is empty; export it again, with the header at least.")
    found = re.split(r"\r\n|\r|\n", lines, maxsplit=number)
    if len(found) < number:
        raise UnusableFileError(f"It ends before row {number}, its header; correct header_row.")
    if len(found[number - 1]) >= HEADER_BYTES:
        raise UnusableFileError(
            f"Its first line is longer than {HEADER_BYTES:,} bytes, so it is no header of columns; "
            "export it again."
        )
    return found[number - 1]


def _parted(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter, strict=True))
    except (csv.Error, StopIteration):
        raise UnusableFileError("Its first line is no header of columns; correct it.") from None


def _delimiter(line: str, where: str, fits: Callable[[list[str]], bool]) -> str:
    """The mark that parts a header into the columns that are needed, where only one does."""
    fitting = [mark for mark in DELIMITERS if _is_parted_by(mark, line, fits)]
    if len(fitting) > 1:
        raise UnusableFileError(f"Its columns can be parted in two ways; say delimiter in {where}.")
    if fitting:
        return fitting[0]
    if "|" in line:
        raise UnusableFileError("Its columns are parted by bars; export it with commas.")
    return max(DELIMITERS, key=line.count)


def _is_parted_by(mark: str, line: str, fits: Callable[[list[str]], bool]) -> bool:
    try:
        return fits(_parted(line, mark))
    except UnusableFileError:
        return False


def _refuse_too_many_rows(next_row: int) -> None:
    _refuse_many_rows(next_row - FIRST_DATA_ROW, MOST_ROWS)


def _refuse_many_rows(rows: int, most: int) -> None:
    if rows > most:
        raise UnusableFileError(f"It has more than {most:,} rows; export it in several files.")


def _refuse_longer(path: Path, megabytes: int) -> None:
    if size_of(path) > megabytes << 20:
        raise UnusableFileError(f"It is longer than {megabytes:,} MB; export it in several files.")


def _row_numbers(first: int, count: int, left_out: list[int]) -> pl.Series:
    """`count` row numbers from `first` on, without those left out."""
    numbers = pl.int_range(first, first + count + len(left_out), eager=True)
    if left_out:
        numbers = numbers.filter(~numbers.is_in(left_out))
    return numbers.head(count)


def _parquet_blocks(path: Path) -> Iterator[Raw]:
    with pyarrow.parquet.ParquetFile(path) as file:
        _refuse_many_rows(file.metadata.num_rows, MOST_ROWS)
        groups = range(file.metadata.num_row_groups)
        if any(file.metadata.row_group(n).total_byte_size > MOST_GROUP_BYTES for n in groups):
            raise UnusableFileError(
                f"A row group of it is longer than {MOST_GROUP_BYTES:,} bytes; export smaller ones."
            )
        names = tuple(file.schema_arrow.names)
        positions = [str(position) for position in range(len(names))]
        for position, type_ in enumerate(file.schema_arrow.types, start=1):
            if not _is_single_value(type_):
                raise UnusableFileError(
                    f"Column {position} of it holds no texts, numbers, days or yes and no; "
                    "export it as such or leave it out."
                )
        first = FIRST_DATA_ROW
        for batch in file.iter_batches(batch_size=BLOCK_ROWS):
            batch.validate(full=True)  # polars takes it for granted that text is UTF-8
            table = pl.DataFrame(batch.rename_columns(positions))
            typed = frozenset(name for name, type_ in table.schema.items() if type_ != pl.String)
            cells = table.select(_as_text(name, type_) for name, type_ in table.schema.items())
            rows = _row_numbers(first, batch.num_rows, [])
            yield Raw(names, cells, rows, _NO_RAGGED, PARQUET, typed=typed)
            first += batch.num_rows
            _refuse_too_many_rows(first)
        if first == FIRST_DATA_ROW:
            none = _row_numbers(0, 0, [])
            yield Raw(names, _no_texts(positions), none, _NO_RAGGED, PARQUET)


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


def _no_texts(positions: list[str]) -> pl.DataFrame:
    return pl.DataFrame(schema=dict.fromkeys(positions, pl.String))
