"""Files made to do harm: each is refused in one line, soon, and nothing is done but read it."""

import base64
import gzip
import io
import pickle
import struct
import time
import zipfile
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet
import pytest
import xlsxwriter

from ingest import reading, sheets
from tests.ingest.faulty import GOOD

NO_XLSX = "It cannot be read as an XLSX workbook; save it again, or as CSV in UTF-8."
TOO_LARGE = "It unpacks to more than 1 MB; export it as CSV."
WORKBOOK, RELATIONS = "xl/workbook.xml", "xl/_rels/workbook.xml.rels"
SHEET, TEXTS = "xl/worksheets/sheet1.xml", "xl/sharedStrings.xml"
SOON = 20  # s, on a busy machine


def sound_parts() -> dict[str, bytes]:
    """The parts of a sound workbook of one patient."""
    content = io.BytesIO()
    with xlsxwriter.Workbook(content) as book:
        page = book.add_worksheet("Export")
        for row, cells in enumerate((("patient_id", "status"), ("P1", "active"))):
            for column, cell in enumerate(cells):
                page.write(row, column, cell)
    with zipfile.ZipFile(content) as package:
        return {name: package.read(name) for name in package.namelist()}


def packed(parts: dict[str, bytes], how: int = zipfile.ZIP_DEFLATED) -> bytes:
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", how) as package:
        for name, part in parts.items():
            package.writestr(name, part)
    return content.getvalue()


def with_part(name: str, part: bytes, how: int = zipfile.ZIP_DEFLATED) -> bytes:
    return packed(sound_parts() | {name: part}, how)


def that_says_less(content: bytes, length: int) -> bytes:
    """A package whose headers say 10 bytes where a part of this length is packed."""
    return content.replace(struct.pack("<I", length), struct.pack("<I", 10))


def told(exports, name: str, content: bytes) -> str:
    """What is said of the file, refused within a while; nothing of it is kept."""
    exports.write_bytes(name, content)
    began = time.monotonic()
    (file,) = exports.read().files.rows(named=True)
    assert time.monotonic() - began < SOON
    assert file["file_refused"]
    assert exports.accepted("patients").height == 0
    return file["file_reason"]


LONG = b" " * (2 << 20)
LAUGHS = (
    '<?xml version="1.0"?><!DOCTYPE l [<!ENTITY a "ha">'
    + "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10))
    + "]><l>&a9;</l>"
).replace("&a0;", "&a;")
FROM_A_FILE = (
    '<?xml version="1.0"?><!DOCTYPE l [<!ENTITY a SYSTEM "file:///etc/passwd">]><l>&a;</l>'
)


def test_what_is_spoilt_was_sound(exports):
    exports.write_bytes("patients.xlsx", packed(sound_parts()))
    assert exports.read().files["accepted"].to_list() == [1]


@pytest.mark.parametrize(
    "content",
    [
        with_part(SHEET, LONG),
        with_part(TEXTS, LONG),
        with_part("docProps/thumbnail.jpeg", LONG),
        with_part(SHEET, LONG, zipfile.ZIP_STORED),
        that_says_less(with_part(SHEET, LONG), len(LONG)),
        that_says_less(with_part(TEXTS, LONG), len(LONG)),
        packed(sound_parts() | {f"xl/media/{n}.png": LONG[: 1 << 19] for n in range(4)}),
    ],
    ids=["sheet", "texts", "another part", "stored", "says less", "texts say less", "many"],
)
def test_a_workbook_that_unpacks_to_too_much_is_opened_by_no_reader(exports, monkeypatch, content):
    monkeypatch.setattr(sheets, "MOST_BYTES", 1 << 20)
    monkeypatch.setattr(sheets.fastexcel, "read_excel", lambda _: pytest.fail("it was read"))
    assert told(exports, "patients.xlsx", content) == TOO_LARGE


def test_a_real_bomb_takes_little_time(exports):
    content = with_part(SHEET, bytes(700 << 20))
    assert len(content) < 1 << 20
    assert told(exports, "patients.xlsx", content) == (
        "It unpacks to more than 512 MB; export it as CSV."
    )


@pytest.mark.parametrize(
    "content",
    [
        with_part(WORKBOOK, LAUGHS.encode()),
        with_part(RELATIONS, LAUGHS.encode()),
        with_part(WORKBOOK, LAUGHS.encode("utf-16")),
        with_part(WORKBOOK, FROM_A_FILE.encode()),
        with_part(WORKBOOK, b"<a>" * 100_000),
        with_part(SHEET, GOOD, zipfile.ZIP_BZIP2),
        with_part(SHEET, GOOD, zipfile.ZIP_LZMA),
    ],
    ids=["laughs", "in links", "in UTF-16", "a file's text", "deep", "bzip2", "lzma"],
)
def test_a_workbook_that_is_none_is_refused(exports, content):
    assert told(exports, "patients.xlsx", content) == NO_XLSX


@pytest.mark.parametrize(
    "link", ["../../../../etc/passwd", "/../../etc/passwd", "file:///etc/passwd"]
)
def test_a_link_in_a_workbook_leads_nowhere_else(exports, link):
    parts = sound_parts()
    parts[RELATIONS] = parts[RELATIONS].replace(b"worksheets/sheet1.xml", link.encode())
    assert told(exports, "patients.xlsx", packed(parts)) == NO_XLSX


def test_a_part_with_a_path_is_written_nowhere(exports, tmp_path):
    before = {path for path in tmp_path.rglob("*") if path.is_dir()}
    exports.write_bytes("patients.xlsx", with_part("../../../../evil.csv", GOOD))
    exports.read()
    assert not list(tmp_path.parent.rglob("evil.csv"))
    assert before <= {path for path in tmp_path.rglob("*") if path.is_dir()}
    assert not Path("evil.csv").exists()


@pytest.mark.parametrize(
    "repeated", [b"<c ", b'<c r="A1" ', b' r="A1"', b"<mergeCell ", b"<" + b"x" * 999, b"> <c"]
)
def test_no_sheet_makes_a_search_slow(repeated):
    text = b"<c " + repeated * ((1 << 20) // len(repeated))
    began = time.monotonic()
    list(sheets.CELL.finditer(text))
    list(sheets.MERGED.finditer(text))
    assert time.monotonic() - began < SOON


def test_a_gzip_that_unpacks_to_too_many_times_its_length_is_refused(exports, monkeypatch):
    monkeypatch.setattr(reading, "FEW_BYTES", 1 << 20)
    bomb = gzip.compress(GOOD + b"P2,active\n" * 400_000)
    assert told(exports, "patients.csv.gz", bomb) == (
        "It unpacks to more than 500 times its length, as no export does; export it again without "
        "packing it."
    )


def test_a_gzip_that_packs_well_is_read(exports):
    content = GOOD + b"".join(b"Q%d,active\n" % n for n in range(100_000))
    exports.write_bytes("patients.csv.gz", gzip.compress(content))
    assert exports.read().files["accepted"].to_list() == [100_001]


class Touch:
    """What a pickle may do when it is read."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self):
        return (Path.touch, (self.path,))


def parquet(field: pa.Field, **metadata: str) -> bytes:
    ids = pa.field("patient_id", pa.string())
    schema = pa.schema([ids, field], metadata=metadata or None)
    table = pa.table([pa.array(["P1"]), pa.array(["active"])], schema=schema)
    target = io.BytesIO()
    pyarrow.parquet.write_table(table, target)
    return target.getvalue()


def test_nothing_in_parquets_metadata_is_run(exports, tmp_path):
    touched = tmp_path / "touched"
    evil = pickle.dumps(Touch(touched))
    named = {
        b"ARROW:extension:name": b"arrow.py_extension_type",
        b"ARROW:extension:metadata": evil,
    }
    exports.write_bytes(
        "patients.parquet", parquet(pa.field("status", pa.string(), metadata=named))
    )
    exports.read()
    assert not touched.exists()
    pickle.loads(evil)  # noqa: S301  # the test's own
    assert touched.exists()


@pytest.mark.parametrize(
    "metadata",
    [
        {"pandas": '{"index_columns": ["' + "x" * 100_000 + '"]}'},
        {"pandas": "<script>alert(1)</script>"},
        {"ARROW:schema": base64.b64encode(b"\xff" * 64).decode()},
        {"geo": "[" * 100_000},
    ],
    ids=["long", "script", "schema", "deep"],
)
def test_what_parquet_says_beside_its_columns_is_passed_over(exports, metadata):
    exports.write_bytes("patients.parquet", parquet(pa.field("status", pa.string()), **metadata))
    (file,) = exports.read().files.rows(named=True)
    assert file["accepted"] == 1 or file["file_refused"]


def test_a_row_group_that_unpacks_to_too_much_is_refused(exports, monkeypatch):
    monkeypatch.setattr(reading, "MOST_GROUP_BYTES", 10)
    said = told(exports, "patients.parquet", parquet(pa.field("status", pa.string())))
    assert said == "A row group of it is longer than 10 bytes; export smaller ones."
