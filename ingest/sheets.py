"""Reads a sheet of an XLSX workbook: its cells as text, whatever type each has.

A whole sheet is held in memory; how long it may be is bounded by what it unpacks to. What the
reader does not tell, formulas and merged cells, is looked up in the sheet's own XML (Office Open
XML, ISO/IEC 29500-1).
"""

import io
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO
from xml.etree import ElementTree

import fastexcel
import polars as pl

from ingest.mapping import Form
from ingest.raw import RAGGED, Raw, UnusableFileError

MOST_BYTES = 512 << 20  # that a sheet and its texts may unpack to
CHUNK_BYTES = 1 << 20
LONGEST_TAG = 512  # with bounds to all that repeats, so that no sheet makes a search slow
BLOCK_ROWS = 65_536
MIDNIGHT = r"^(\d{4}-\d{2}-\d{2}) 00:00:00$"
CELL = re.compile(
    rb'<(?:\w{1,16}:)?c [^<>]{0,200}?\br="([A-Z]{1,3})(\d{1,7})"[^<>]{0,200}>\s{0,16}'
    rb"<(?:\w{1,16}:)?f[ >/]"
)
MERGED = re.compile(
    rb'<(?:\w{1,16}:)?mergeCell [^<>]{0,200}?\bref="([A-Z]{1,3}\d{1,7}:[A-Z]{1,3}(\d{1,7}))"'
)
LOCAL_HEADER = struct.Struct(
    "<26xHH"
)  # of a part of a package: lengths of its name and extra field
RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"


def sheet_blocks(path: Path, form: Form, where: str) -> Iterator[Raw]:
    """A sheet's rows under its header, in blocks.

    Raises:
        UnusableFileError: it is no workbook, too large, has merged cells, or several sheets of
            which the mapping names none.
    """
    _refuse_large(path)
    try:
        workbook = fastexcel.read_excel(path)
        name = _sheet(workbook.sheet_names, form, where)
        formulas, merged = _marks(path, workbook.sheet_names.index(name))
        for cells, last_row in merged:
            if last_row >= form.header_row:
                raise UnusableFileError(
                    f"The cells {cells} are merged; part them and export again."
                )
        sheet = workbook.load_sheet(name, header_row=None, skip_rows=0, dtypes="string")
        whole = pl.DataFrame(sheet.to_arrow())
    except fastexcel.FastExcelError:
        raise _no_workbook() from None
    if whole.height < form.header_row:
        raise UnusableFileError(
            f"The sheet has no row {form.header_row}, its header; export it again, or say another "
            f"sheet or header_row in {where}."
        )
    header = whole.row(form.header_row - 1)
    width = max((n for n, cell in enumerate(header, start=1) if cell), default=0)
    names = tuple(cell or "" for cell in header[:width])
    rows = whole.slice(form.header_row).select(
        pl.nth(position).str.replace(MIDNIGHT, "$1").alias(str(position))
        for position in range(width)
    )
    first = form.header_row + 1
    for start in range(0, max(1, rows.height), BLOCK_ROWS):
        block = rows.slice(start, BLOCK_ROWS)
        yield Raw(
            names,
            block,
            pl.int_range(first + start, first + start + block.height, eager=True),
            pl.DataFrame(schema=RAGGED),
            f"XLSX, sheet {name}",
            quoted=True,
            mixed=True,
            formulas=tuple(formulas),
            found_by=("header_row", "sheet"),
        )


def _sheet(names: list[str], form: Form, where: str) -> str:
    if form.sheet is None and len(names) == 1:
        return names[0]
    if form.sheet is None:
        raise UnusableFileError(
            f"It has {len(names)} sheets; say which is meant: sheet in {where}."
        )
    if form.sheet not in names:
        raise UnusableFileError(
            f"It has no sheet '{form.sheet}'; name it so, or correct sheet in {where}."
        )
    return form.sheet


def _marks(path: Path, position: int) -> tuple[list[tuple[int, str]], list[tuple[str, int]]]:
    """Rows with a formula and its cell; merged cells and their last row."""
    with zipfile.ZipFile(path) as parts:
        formulas, merged = [], []
        with parts.open(_part(parts, position)) as xml:
            kept = b""
            while chunk := xml.read(CHUNK_BYTES):
                text = kept + chunk
                formulas += [(int(m[2]), (m[1] + m[2]).decode()) for m in CELL.finditer(text)]
                merged += [(m[1].decode(), int(m[2])) for m in MERGED.finditer(text)]
                kept = text[-LONGEST_TAG:]
    return list(dict.fromkeys(formulas)), list(dict.fromkeys(merged))


def _refuse_large(path: Path) -> None:
    """Refuse a package before anything reads it whole: by what it unpacks to, not by what it says.

    Raises:
        UnusableFileError: it is no package, holds too much, or is packed as no workbook is.
    """
    left = MOST_BYTES
    try:
        with zipfile.ZipFile(path) as parts, path.open("rb") as file:
            for part in parts.infolist():
                left -= _unpacked_bytes(file, part, left)
                if left < 0:
                    raise UnusableFileError(
                        f"It unpacks to more than {MOST_BYTES >> 20} MB; export it as CSV."
                    )
    except (zipfile.BadZipFile, struct.error, zlib.error, NotImplementedError):
        raise _no_workbook() from None


def _unpacked_bytes(file: BinaryIO, part: zipfile.ZipInfo, limit: int) -> int:
    """How long a part of a package is, whatever its header says; no further than over the limit."""
    if part.compress_type == zipfile.ZIP_STORED:
        return part.compress_size
    if part.compress_type != zipfile.ZIP_DEFLATED:
        raise _no_workbook()
    file.seek(part.header_offset)
    name, extra = LOCAL_HEADER.unpack(file.read(LOCAL_HEADER.size))
    file.seek(name + extra, io.SEEK_CUR)
    unpacking, length, packed = zlib.decompressobj(-zlib.MAX_WBITS), 0, part.compress_size
    while not unpacking.eof and length <= limit:
        chunk = unpacking.unconsumed_tail
        if not chunk:
            chunk = file.read(min(CHUNK_BYTES, packed))
            packed -= len(chunk)
        if not chunk:
            break
        length += len(unpacking.decompress(chunk, CHUNK_BYTES))
    return length


def _xml(parts: zipfile.ZipFile, name: str) -> ElementTree.Element:
    """A part of the package as XML, unless it defines words of its own, as no workbook does.

    Raises:
        UnusableFileError: it does, or it is not UTF-8.
    """
    try:
        text = parts.read(name).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise _no_workbook() from None
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        raise _no_workbook()
    return ElementTree.fromstring(text)  # noqa: S314  # nothing is left to expand


def _no_workbook() -> UnusableFileError:
    return UnusableFileError(
        "It cannot be read as an XLSX workbook; save it again, or as CSV in UTF-8."
    )


def _part(parts: zipfile.ZipFile, position: int) -> str:
    """Where in the package a sheet lies."""
    try:
        book = _xml(parts, "xl/workbook.xml")
        links = _xml(parts, "xl/_rels/workbook.xml.rels")
        sheets = [node for node in book.iter() if node.tag.endswith("}sheet")]
        target = {node.get("Id"): node.get("Target") or "" for node in links}[
            sheets[position].get(RELATION)
        ]
        part = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
        parts.getinfo(part)
    except (KeyError, IndexError, ValueError, ElementTree.ParseError):
        raise _no_workbook() from None
    return part
