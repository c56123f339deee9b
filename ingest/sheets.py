"""Reads a sheet of an XLSX workbook: its cells as text, whatever type each has.

A whole sheet is held in memory; how long it may be is bounded by what it unpacks to. What the
reader does not tell, formulas and merged cells, is looked up in the sheet's own XML (Office Open
XML, ISO/IEC 29500-1).
"""

import re
import zipfile
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import fastexcel
import polars as pl

from ingest.mapping import Form
from ingest.raw import RAGGED, Raw, UnusableFileError

MOST_BYTES = 512 << 20  # that a sheet and its texts may unpack to
CHUNK_BYTES = 1 << 20
LONGEST_TAG = 256
BLOCK_ROWS = 65_536
MIDNIGHT = r"^(\d{4}-\d{2}-\d{2}) 00:00:00$"
CELL = re.compile(rb'<(?:\w+:)?c [^>]*?\br="([A-Z]+)(\d+)"[^>]*>\s*<(?:\w+:)?f[ >/]')
MERGED = re.compile(rb'<(?:\w+:)?mergeCell [^>]*?\bref="([A-Z]+\d+:[A-Z]+(\d+))"')
RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"


def sheet_blocks(path: Path, form: Form, where: str) -> Iterator[Raw]:
    """A sheet's rows under its header, in blocks.

    Raises:
        UnusableFileError: it is no workbook, too large, has merged cells, or several sheets of
            which the mapping names none.
    """
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
        raise UnusableFileError(
            "It cannot be read as an XLSX workbook; save it again, or as CSV in UTF-8."
        ) from None
    if whole.height < form.header_row:
        raise UnusableFileError(
            f"The sheet has no row {form.header_row}, its header; export it again, or say another "
            f"sheet or header_row in {where}."
        )
    header = whole.row(form.header_row - 1)
    width = max((n for n, cell in enumerate(header, start=1) if cell), default=0)
    names = tuple(cell or "" for cell in header[:width])
    positions = [str(position) for position in range(width)]
    rows = whole.slice(form.header_row).select(
        pl.nth(position).str.replace(MIDNIGHT, "$1").alias(str(position))
        for position in range(width)
    )
    rows = rows.insert_column(
        0, pl.int_range(rows.height, eager=True).alias("source_row") + form.header_row + 1
    )
    for block in rows.iter_slices(BLOCK_ROWS) if rows.height else [rows]:
        yield Raw(
            names,
            block.select("source_row", *positions),
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
        _refuse_large(parts)
        formulas, merged = [], []
        with parts.open(_part(parts, position)) as xml:
            kept = b""
            while chunk := xml.read(CHUNK_BYTES):
                text = kept + chunk
                formulas += [(int(m[2]), (m[1] + m[2]).decode()) for m in CELL.finditer(text)]
                merged += [(m[1].decode(), int(m[2])) for m in MERGED.finditer(text)]
                kept = text[-LONGEST_TAG:]
    return list(dict.fromkeys(formulas)), list(dict.fromkeys(merged))


def _refuse_large(parts: zipfile.ZipFile) -> None:
    unpacked = sum(part.file_size for part in parts.infolist())
    if unpacked > MOST_BYTES:
        raise UnusableFileError(
            f"It unpacks to {unpacked >> 20} MB, over {MOST_BYTES >> 20}; export it as CSV."
        )


def _part(parts: zipfile.ZipFile, position: int) -> str:
    """Where in the package a sheet lies."""
    try:
        book = ElementTree.fromstring(parts.read("xl/workbook.xml"))  # noqa: S314  # expat 2.4.1 on
        links = ElementTree.fromstring(parts.read("xl/_rels/workbook.xml.rels"))  # noqa: S314
        sheets = [node for node in book.iter() if node.tag.endswith("}sheet")]
        target = {node.get("Id"): node.get("Target") or "" for node in links}[
            sheets[position].get(RELATION)
        ]
        part = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
        parts.getinfo(part)
    except (KeyError, IndexError, ElementTree.ParseError):
        raise UnusableFileError(
            "It cannot be read as an XLSX workbook; save it again, or as CSV in UTF-8."
        ) from None
    return part
