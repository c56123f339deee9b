"""Faulty files, each with the very line that a person sees; nothing of one is kept.

What each reader forgives and refuses stands beside it in test_reading.py and test_formats.py; here
are the files as a clinic might hand them over.
"""

import gzip
import io
import zipfile
from collections.abc import Callable
from dataclasses import dataclass

import polars as pl
import pytest
import xlsxwriter

HEADER = "outcome_id,patient_id,assessed_date,eye,measure,value\n"
ROW = "O1,P1,2026-03-04,both,osdi,20\n"
SOUND = HEADER + ROW
NO_XLSX = "It cannot be read as an XLSX workbook; save it again, or as CSV in UTF-8."
NO_GZIP = "It is no whole gzip file; it may have been cut off. Copy or export it again."
NOT_AS_NAMED = "It cannot be read as what its name says it is; export it again."
NOT_UTF8 = (
    "Line {} is not UTF-8; save it as CSV in UTF-8, or if it is Windows-1252, say "
    'encoding = "windows-1252" in mappings/alder.toml.'
)
NO_HEADER = (
    "Its row {} names no column of outcomes, so it is no header; put the header there, such as "
    "{},..., or correct header_row or delimiter in mappings/alder.toml."
)
NUL = "Line {} holds a NUL byte, as no text does; export it as CSV in UTF-8."
OPEN_QUOTE = (
    "Row {} runs over several lines, so a quotation mark is probably not closed; correct it and "
    "export again."
)
AN_ORDER = (
    "The column assessed_date has dates such as 03/04/2026, which can be of March or of April; "
    'say dates = "dd/mm/yyyy" or "mm/dd/yyyy", with the mark that they have, in '
    "mappings/alder.toml."
)
A_COMMA = (
    "The column value has numbers such as 1,234, whose comma can be of decimals or of thousands; "
    'say decimal = "," in mappings/alder.toml.'
)


@dataclass(frozen=True)
class Faulty:
    what: str
    content: bytes
    line: str
    ending: str = "csv"
    mapping: str = ""


def text(content: str, encoding: str = "utf-8") -> bytes:
    return content.encode(encoding)


def workbook(write: Callable[..., object], *sheets: str) -> bytes:
    content = io.BytesIO()
    with xlsxwriter.Workbook(content) as book:
        pages = [book.add_worksheet(name) for name in sheets or ("Export",)]
        for column, name in enumerate(HEADER.strip().split(",")):
            pages[0].write(0, column, name)
        for column, cell in enumerate(ROW.strip().split(",")):
            pages[0].write(1, column, cell)
        write(pages[0])
    return content.getvalue()


def parquet(**columns: list[object]) -> bytes:
    content = io.BytesIO()
    pl.DataFrame(columns).write_parquet(content)
    return content.getvalue()


def zipped(**parts: str) -> bytes:
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w") as package:
        for name, part in parts.items():
            package.writestr(name.replace("__", "/"), part)
    return content.getvalue()


def many(column: int, *cells: str) -> bytes:
    rows = [ROW.strip().split(",") for _ in cells]
    for number, (row, cell) in enumerate(zip(rows, cells, strict=True)):
        row[0], row[column] = f"O{number}", f'"{cell}"'
    return text(HEADER + "".join(",".join(row) + "\n" for row in rows))


WHOLE_FILES = (
    Faulty("nothing at all", b"", "It is empty; export it again, with the header at least."),
    Faulty("nothing, packed", gzip.compress(b""), "It is empty; export it again, with the header "
           "at least.", "csv.gz"),
    Faulty("Windows-1252", text(HEADER + ROW + "Ö2" + ROW[2:], "cp1252"), NOT_UTF8.format(3)),
    Faulty("Windows-1252, packed", gzip.compress(text("Ö" + SOUND, "cp1252")), NOT_UTF8.format(1),
           "csv.gz"),
    Faulty("a character cut in two", text(SOUND) + b"\xc3", NOT_UTF8.format(3)),
    Faulty("UTF-16 without its mark", text(SOUND, "utf-16-le"), NUL.format(1)),
    Faulty("UTF-32", text(SOUND, "utf-32-be"), NUL.format(1)),
    Faulty("UTF-8, said to be Windows-1252", text("Ö," + SOUND),
           "It seems to be UTF-8, but mappings/alder.toml says encoding = \"windows-1252\"; "
           "correct it.", mapping='encoding = "windows-1252"'),
    Faulty("UTF-16, cut in a character", text(SOUND, "utf-16")[:-1],
           "Line 2 is not UTF-16; correct encoding in mappings/alder.toml."),
    Faulty("a NUL byte", text(SOUND) + b"O2,\0\n", NUL.format(3)),
    Faulty("a NUL byte, packed", gzip.compress(text(SOUND) + b"\0"), NUL.format(3), "csv.gz"),
    Faulty("a gzip cut off", gzip.compress(text(HEADER + ROW * 999))[:-9], NO_GZIP, "csv.gz"),
    Faulty("a gzip with a slip", gzip.compress(text(SOUND))[:-6] + b"xxxxxx", NO_GZIP, "csv.gz"),
    Faulty("text named gzip", text(SOUND), NO_GZIP, "csv.gz"),
    Faulty("gzip named text", gzip.compress(text(SOUND), mtime=1),
           "It holds gzip, not text; unpack it, or let its name end in .csv.gz."),
    Faulty("a header twice in a row", text("outcome_id," + SOUND),
           "The column outcome_id stands in it twice; leave one out."),
    Faulty("a header with a column missing", text(SOUND.replace(",eye", ",side")),
           "The required column eye is missing; add it and export again."),
    Faulty("no header", text(ROW), NO_HEADER.format(1, "outcome_id")),
    Faulty("a title above the header", text("Outcomes of March\n" + SOUND),
           NO_HEADER.format(1, "outcome_id")),
    Faulty("a title where the header is said to be", text("\nOutcomes of March\n" + SOUND),
           NO_HEADER.format(2, "Seen"),
           mapping='header_row = 2\n[outcomes.columns]\nassessed_date = "Seen"'),
    Faulty("a byte order mark alone", text("", "utf-16"),
           "It is empty; export it again, with the header at least."),
    Faulty("bars", text(SOUND.replace(",", "|")),
           "Its columns are parted by bars; export it with commas."),
    Faulty("100 000 columns", text(HEADER.strip() + ",x" * 100_000 + "\n"),
           "It has 100,006 columns, more than 2,000; export fewer."),
    Faulty("a quotation mark left open in the header", text('"' + SOUND),
           "Its first line is no header of columns; correct it."),
    Faulty("a quotation mark left open", text(HEADER + ROW + '"' + ROW + ROW),
           OPEN_QUOTE.format(3)),
    Faulty("a line break in a cell", text(HEADER + '"O\n1"' + ROW[2:]), OPEN_QUOTE.format(2)),
    Faulty("dates of no known order", many(2, "03/04/2026", "04/04/2026", "05/04/2026"), AN_ORDER),
    Faulty("the same with points", many(2, "03.04.2026", "04.04.2026", "05.04.2026"), AN_ORDER),
    Faulty("commas of no known use", many(5, "1,234", "2,5", "3,0"), A_COMMA),
    Faulty("a mapped column that is gone", text(SOUND),
           "The column Seen is missing; export it again, or correct "
           "outcomes.columns.assessed_date in mappings/alder.toml.",
           mapping='[outcomes.columns]\nassessed_date = "Seen"'),
    Faulty("a header further down than there is", text(SOUND),
           "It ends before row 7, its header; correct header_row.", mapping="header_row = 7"),
    Faulty("Parquet that is none", text(SOUND), NOT_AS_NAMED, "parquet"),
    Faulty("Parquet cut off", parquet(outcome_id=["O1"])[:-5], NOT_AS_NAMED, "parquet"),
    Faulty("Parquet of nothing", b"", NOT_AS_NAMED, "parquet"),
    Faulty("Parquet with lists", parquet(**{name: [["a"]] for name in HEADER.strip().split(",")}),
           "Column 1 of it holds no texts, numbers, days or yes and no; export it as such or leave "
           "it out.", "parquet"),
    Faulty("Parquet with a column missing", parquet(outcome_id=["O1"]),
           "The required column patient_id is missing; add it and export again.", "parquet"),
    Faulty("Parquet of other columns", parquet(befund=["O1"]),
           "It has no column of outcomes; name its columns as the contract does, such as "
           "outcome_id,..., or say under outcomes.columns in mappings/alder.toml which is which.",
           "parquet"),
    Faulty("a workbook with a title above the header",
           workbook(lambda page: [page.write(0, n, "Outcomes of March") for n in range(6)]),
           NO_HEADER.replace("delimiter", "sheet").format(1, "outcome_id"), "xlsx"),
    Faulty("XLSX that is none", text(SOUND), NO_XLSX, "xlsx"),
    Faulty("XLSX of nothing", b"", NO_XLSX, "xlsx"),
    Faulty("XLSX cut off", workbook(lambda _: None)[:-50], NO_XLSX, "xlsx"),
    Faulty("another package", zipped(a="b"), NO_XLSX, "xlsx"),
    Faulty("a package with a part that is no XML", zipped(xl__workbook_xml="<"), NO_XLSX, "xlsx"),
    Faulty("a formula", workbook(lambda page: page.write_formula("F2", "=1+1", None, 2)),
           "The cell F2 holds a formula; put its value there and export again.", "xlsx"),
    Faulty("merged cells", workbook(lambda page: page.merge_range("A2:B3", "O1")),
           "The cells A2:B3 are merged; part them and export again.", "xlsx"),
    Faulty("several sheets", workbook(lambda _: None, "Export", "Notes"),
           "It has 2 sheets; say which is meant: sheet in mappings/alder.toml.", "xlsx"),
    Faulty("no such sheet", workbook(lambda _: None),
           "It has no sheet 'Data'; name it so, or correct sheet in mappings/alder.toml.", "xlsx",
           'sheet = "Data"'),
    Faulty("a line break in a cell of a sheet", workbook(lambda page: page.write("A2", "O\n1")),
           OPEN_QUOTE.format(2), "xlsx"),
)  # fmt: skip


@pytest.mark.parametrize("faulty", WHOLE_FILES, ids=lambda faulty: faulty.what)
def test_a_faulty_file_is_refused_whole_with_one_line(exports, faulty):
    exports.map(faulty.mapping)
    exports.write_bytes(f"outcomes.{faulty.ending}", faulty.content)
    told = exports.read().files.row(0, named=True)
    assert told["file_reason"] == faulty.line
    assert told["rows_read"] == told["accepted"] == told["refused"] == 0
    assert exports.accepted("outcomes").height == 0


CELLS = {  # of a number, a date or an id: what it is refused for, if it is
    "value": {
        "1e309": "unreadable", "NaN": "unreadable", "inf": "unreadable", "-inf": "unreadable",
        "0x14": "unreadable", "twenty": "unreadable", "20 points": "unreadable",
        "٢٠": "unreadable", "-1": "out_of_range", "1e2": None, "": "missing",
    },
    "assessed_date": {
        "0202-03-04": "before_2000", "2026-02-31": "unreadable", "2026-3-4": "unreadable",
        "04/03/2026": "unreadable", "9999-12-31": "after_batch", "2026-03-04T00:00": "unreadable",
        "46085": "unreadable",
    },
    "outcome_id": {
        "'; drop table outcomes; --": None, "<script>alert(1)</script>": None, '"a,b"': None,
        "x" * 4096: None, "../../etc/passwd": None, "=1+1": None, "": "missing",
    },
    "eye": {
        "RIGHT": "unknown_code", "both ": None, "all": "unknown_code", "right": "needs_both_eyes",
    },
}  # fmt: skip


@pytest.mark.parametrize(
    ("column", "cell", "reason"),
    [(column, cell, reason) for column, cells in CELLS.items() for cell, reason in cells.items()],
    ids=lambda part: str(part)[:20],
)
def test_a_faulty_cell_refuses_its_row_alone(exports, column, cell, reason):
    names = HEADER.strip().split(",")
    row = dict(zip(names, ROW.strip().split(","), strict=True)) | {column: cell}
    other = ROW.replace("O1", "O2")
    exports.write_bytes("outcomes.csv", text(HEADER + ",".join(row.values()) + "\n" + other))
    exports.read()
    assert exports.accepted("outcomes").height == (1 if reason else 2)
    assert exports.reasons("outcomes") == ([[(column, reason)]] if reason else [])


@pytest.mark.parametrize(
    ("what", "content"),
    [
        ("mixed line ends", SOUND + "O2" + ROW[2:-1] + "\r\n" + "O3" + ROW[2:-1] + "\r"),
        (
            "spaces around",
            HEADER.replace(",", " , ") + ROW.replace(",", " , ") * 2 + "O3" + ROW[2:],
        ),
        ("empty columns at the end", HEADER[:-1] + ",,\n" + ROW[:-1] + ",,\n"),
    ],
)
def test_what_is_forgiven(exports, what, content):
    exports.write_bytes("outcomes.csv", text(content))
    told = exports.read().files.row(0, named=True)
    assert (told["file_refused"], told["refused"]) == (False, 0)
    assert told["accepted"] >= 1
