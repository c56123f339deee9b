"""Faulty files by what is wrong with them, each made of bytes where it is used.

All are files of patients but where the fault needs another kind; see SOUND for a sound row.
"""

import gzip
import io
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta, timezone
from decimal import Decimal

import pyarrow as pa
import pyarrow.parquet

from tests.ingest.invented import SOUND, as_csv

HEADER = b"patient_id,status\n"
GOOD = HEADER + b"P1,active\n"


@dataclass(frozen=True)
class Faulty:
    """A faulty file and what is said of it.

    `lines` are what a person sees: of the file as a whole, or of its rows and values; `accepted`
    is how many of its rows stand nevertheless.
    """

    name: str
    content: bytes
    lines: tuple[str, ...] = ()
    accepted: int = 0
    limits: dict[str, int] = field(default_factory=dict)


def cell(kind: str, column: str, *texts: str, file: str | None = None) -> tuple[str, bytes]:
    """Name and bytes of a file of one sound row for each text, but for a column that holds it."""
    key = next(iter(SOUND[kind]))
    rows = [SOUND[kind] | {key: f"K{n}"} | {column: text} for n, text in enumerate(texts)]
    return file or f"{kind}.csv", as_csv(rows, list(rows[0])).encode()


def parquet(**columns) -> tuple[str, bytes]:
    """Name and bytes of a Parquet file of one row of patients, but for what is given."""
    given = {"patient_id": pa.array(["P1"]), "status": pa.array(["active"])} | columns
    target = io.BytesIO()
    pyarrow.parquet.write_table(pa.table(given), target)
    return "patients.parquet", target.getvalue()


def two_columns_of_one_name() -> bytes:
    target = io.BytesIO()
    columns = [pa.array(["P1"]), pa.array(["active"]), pa.array(["moved"])]
    table = pa.Table.from_arrays(columns, names=["patient_id", "status", "status"])
    pyarrow.parquet.write_table(table, target)
    return target.getvalue()


def not_utf8_in_a_column_name() -> bytes:
    target = io.BytesIO()
    table = pa.table({"patient_id": ["P1"], "status": ["active"], "QQQQ": ["1"]})
    pyarrow.parquet.write_table(table, target, store_schema=False)
    return target.getvalue().replace(b"QQQQ", b"QQ\xff\xfe")


def not_utf8_in_parquet() -> bytes:
    """A text column whose bytes are no text: the bytes of a sound one are changed."""
    target = io.BytesIO()
    table = pa.table({"patient_id": ["QQQQ"], "status": ["active"]})
    pyarrow.parquet.write_table(
        table, target, compression="none", use_dictionary=False, write_statistics=False
    )
    return target.getvalue().replace(b"QQQQ", b"QQ\xff\xfe")


def numbers_in_parquet() -> bytes:
    values = [float("nan"), float("inf"), -0.0, 1e300, 5e-324]
    rows = [SOUND["outcomes"] | {"outcome_id": f"K{n}"} for n in range(len(values))]
    columns = {name: [row[name] for row in rows] for name in rows[0]} | {"value": values}
    target = io.BytesIO()
    pyarrow.parquet.write_table(pa.table(columns), target)
    return target.getvalue()


def no_single_values(column: int) -> str:
    return (
        f"Column {column} of it holds no texts, numbers, days or yes and no; "
        "export it as such or leave it out."
    )


def not_utf8(line: int) -> str:
    return (
        f"Line {line} is not UTF-8; save it as CSV in UTF-8, or if it is Windows-1252, say "
        'encoding = "windows-1252" in mappings/alder.toml.'
    )


def open_quotation(row: int) -> str:
    return (
        f"Row {row} runs over several lines, so a quotation mark is probably not closed; "
        "correct it and export again."
    )


EMPTY = "It is empty; export it again, with the header at least."
NO_HEADER = (
    "Its row 1 names no column of patients, so it is no header; put the header there, such as "
    "patient_id,..., or correct header_row or delimiter in mappings/alder.toml."
)
SOUND_PARQUET = parquet()[1]
TEXT = GOOD.decode()
HUGE = b"x" * 3_000
EAST = timezone(timedelta(hours=2))

FILES: dict[str, Faulty] = {
    # encodings
    "Windows-1252": Faulty(
        "patients.csv",
        "patient_id,status\nMüller,active\n".encode("cp1252"),
        lines=(not_utf8(2),),
    ),
    "Latin-1 in the header": Faulty(
        "patients.csv",
        b"patient_id,status,gr\xf6\xdfe\nP1,active,1\n",
        lines=(not_utf8(1),),
    ),
    "UTF-16 with a mark": Faulty(
        "patients.csv",
        TEXT.encode("utf-16"),
        accepted=1,
    ),
    "UTF-16 big-endian with a mark": Faulty(
        "patients.csv",
        b"\xfe\xff" + TEXT.encode("utf-16-be"),
        accepted=1,
    ),
    "UTF-16 without a mark": Faulty(
        "patients.csv",
        TEXT.encode("utf-16-le"),
        lines=("Line 1 holds a NUL byte, as no text does; export it as CSV in UTF-8.",),
    ),
    "UTF-32": Faulty(
        "patients.csv",
        TEXT.encode("utf-32"),
        lines=("It is UTF-32 text; save it as CSV in UTF-8.",),
    ),
    "half a surrogate pair": Faulty(
        "patients.csv",
        GOOD + b"P\xed\xa0\x80,active\n",
        lines=(not_utf8(3),),
    ),
    "an overlong slash": Faulty(
        "patients.csv",
        GOOD + b"P\xc0\xaf,active\n",
        lines=(not_utf8(3),),
    ),
    "a character cut off": Faulty(
        "patients.csv",
        GOOD + b"P2,activ\xc3",
        lines=(not_utf8(3),),
    ),
    "a NUL byte": Faulty(
        "patients.csv",
        GOOD + b"P2,mo\0ved\n",
        lines=("Line 3 holds a NUL byte, as no text does; export it as CSV in UTF-8.",),
    ),
    "only NUL bytes": Faulty(
        "patients.csv",
        b"\0" * 512,
        lines=("Line 1 holds a NUL byte, as no text does; export it as CSV in UTF-8.",),
    ),
    "a byte order mark amid the text": Faulty(
        "patients.csv",
        GOOD + b"\xef\xbb\xbf" + b"P2,active\n",
        lines=("Row 3, patient_id: unreadable",),
        accepted=1,
    ),
    "two byte order marks": Faulty(
        "patients.csv", b"\xef\xbb\xbf" * 2 + GOOD, lines=(), accepted=1
    ),
    "two files put together": Faulty(
        "patients.csv",
        GOOD + b"\xef\xbb\xbf" + GOOD,
        lines=(
            "Row 3, patient_id: unreadable",
            "Row 3, status: unknown_code",
        ),
        accepted=1,
    ),
    # lines and cells
    "nothing": Faulty("patients.csv", b"", lines=(EMPTY,)),
    "a byte order mark alone": Faulty(
        "patients.csv",
        b"\xef\xbb\xbf",
        lines=(EMPTY,),
    ),
    "spaces alone": Faulty(
        "patients.csv",
        b"   \n  \n",
        lines=(EMPTY,),
    ),
    "line ends alone": Faulty(
        "patients.csv",
        b"\n\n\n",
        lines=(EMPTY,),
    ),
    "mixed line ends": Faulty(
        "patients.csv",
        HEADER + b"P1,active\r\nP2,moved\rP3,gone\n",
        lines=("Row 4, status: unknown_code",),
        accepted=2,
    ),
    "carriage returns alone": Faulty(
        "patients.csv",
        b"patient_id,status\rP1,active\rP2,gone\r",
        lines=("Row 3, status: unknown_code",),
        accepted=1,
    ),
    "rows too short and too long": Faulty(
        "patients.csv",
        GOOD + b"P2\nP3,active,x\nP4,active\n",
        lines=(
            "Row 3, whole_row: unreadable",
            "Row 4, whole_row: unreadable",
        ),
        accepted=2,
    ),
    "a quoted line end": Faulty(
        "patients.csv",
        HEADER + b'"P\n1",active\n',
        lines=(open_quotation(2),),
    ),
    "a quotation mark not closed": Faulty(
        "patients.csv",
        GOOD + b'P2,"active\nP3,moved\n',
        lines=(open_quotation(3),),
    ),
    "a quotation mark amid a cell": Faulty(
        "patients.csv", GOOD + b'P"2,active\n', lines=(), accepted=2
    ),
    "text after a quotation": Faulty(
        "patients.csv", GOOD + b'"P2"x,active\n', lines=(), accepted=2
    ),
    "no header": Faulty(
        "patients.csv",
        b"P1,active\nP2,moved\n",
        lines=(NO_HEADER,),
    ),
    "a title above the header": Faulty(
        "patients.csv",
        b"Patients of March\n" + GOOD,
        lines=(NO_HEADER,),
    ),
    "an empty line above the header": Faulty(
        "patients.csv",
        b"\n" + GOOD,
        lines=("Its first line is empty, where the header should stand; remove the line.",),
    ),
    "a header with a quotation not closed": Faulty(
        "patients.csv",
        b'patient_id,"status\nP1,a\n',
        lines=("Its first line is no header of columns; correct it.",),
    ),
    "a header twice": Faulty(
        "patients.csv",
        b"patient_id,status,STATUS\nP1,active,moved\n",
        lines=("The column status stands in it twice; leave one out.",),
    ),
    "a header without a required column": Faulty(
        "patients.csv",
        b"patient_id,state\nP1,active\n",
        lines=("The required column status is missing; add it and export again.",),
    ),
    "semicolons": Faulty(
        "patients.csv",
        GOOD.replace(b",", b";"),
        accepted=1,
    ),
    "tabs": Faulty(
        "patients.csv",
        GOOD.replace(b",", b"\t"),
        accepted=1,
    ),
    "pipes": Faulty(
        "patients.csv",
        GOOD.replace(b",", b"|"),
        lines=("Its columns are parted by bars; export it with commas.",),
    ),
    "a web page": Faulty(
        "patients.csv",
        b"<!DOCTYPE html><html><body>Log in</body></html>",
        lines=(NO_HEADER,),
    ),
    # limits
    "100 000 columns": Faulty(
        "patients.csv",
        HEADER.strip() + b"".join(b",c%d" % n for n in range(99_998)) + b"\nP1\n",
        lines=("It has 100,000 columns, more than 2,000; export fewer.",),
    ),
    "one long line": Faulty(
        "patients.csv",
        HUGE,
        limits={"HEADER_BYTES": 1_000, "BLOCK_BYTES": 2_000},
        lines=(
            "Its first line is longer than 1,000 bytes, so it is no header of columns; "
            "export it again.",
        ),
    ),
    "a long row": Faulty(
        "patients.csv",
        GOOD + HUGE + b",active\n",
        limits={"BLOCK_BYTES": 1_000},
        lines=(
            "A row is longer than 1,000 bytes, or a quotation mark is not closed; "
            "correct it and export again.",
        ),
    ),
    "too much text": Faulty(
        "patients.csv",
        GOOD + b"P2,active\n" * 99,
        limits={"MOST_BYTES": 999},
        lines=("It is longer than 999 bytes of text; export it in several files.",),
    ),
    "too much text in a little gzip": Faulty(
        "patients.csv.gz",
        gzip.compress(GOOD + b"P2,active\n" * 9999),
        limits={"MOST_BYTES": 9999},
        lines=("It is longer than 9,999 bytes of text; export it in several files.",),
    ),
    "too many rows": Faulty(
        "patients.csv",
        GOOD + b"P2,active\n" * 9,
        limits={"MOST_ROWS": 9},
        lines=("It has more than 9 rows; export it in several files.",),
    ),
    "too many rows of Parquet": Faulty(
        *parquet(patient_id=pa.array(["1", "2"]), status=pa.array(["active"] * 2)),
        limits={"MOST_ROWS": 1},
        lines=("It has more than 1 rows; export it in several files.",),
    ),
    # packed files
    "gzip cut off": Faulty(
        "patients.csv.gz",
        gzip.compress(GOOD * 99, mtime=0)[:-12],
        lines=("It is no whole gzip file; it may have been cut off. Copy or export it again.",),
    ),
    "gzip without its end": Faulty(
        "patients.csv.gz",
        gzip.compress(GOOD, mtime=0)[:12],
        lines=("It is no whole gzip file; it may have been cut off. Copy or export it again.",),
    ),
    "gzip of garbage": Faulty(
        "patients.csv.gz",
        gzip.compress(bytes(range(1, 256)), mtime=0),
        lines=(not_utf8(2),),
    ),
    "gzip with a wrong checksum": Faulty(
        "patients.csv.gz",
        gzip.compress(GOOD, mtime=0)[:-8] + b"\1" * 8,
        lines=("It is no whole gzip file; it may have been cut off. Copy or export it again.",),
    ),
    "gzip with something after it": Faulty(
        "patients.csv.gz",
        gzip.compress(GOOD, mtime=0) + b"and more",
        lines=("It is no whole gzip file; it may have been cut off. Copy or export it again.",),
    ),
    "gzip twice": Faulty(
        "patients.csv.gz",
        gzip.compress(gzip.compress(GOOD, mtime=0), mtime=0),
        lines=("It holds gzip, not text; unpack it, or let its name end in .csv.gz.",),
    ),
    "gzip named as text": Faulty(
        "patients.csv",
        gzip.compress(GOOD, mtime=0),
        lines=("It holds gzip, not text; unpack it, or let its name end in .csv.gz.",),
    ),
    "text named as gzip": Faulty(
        "patients.csv.gz",
        GOOD,
        lines=("It is no whole gzip file; it may have been cut off. Copy or export it again.",),
    ),
    "an empty gzip": Faulty("patients.csv.gz", b"", lines=(EMPTY,)),
    "gzip of nothing": Faulty(
        "patients.csv.gz",
        gzip.compress(b"", mtime=0),
        lines=(EMPTY,),
    ),
    # Parquet
    "an empty Parquet file": Faulty(
        "patients.parquet",
        b"",
        lines=("It cannot be read as what its name says it is; export it again.",),
    ),
    "text named as Parquet": Faulty(
        "patients.parquet",
        GOOD,
        lines=("It cannot be read as what its name says it is; export it again.",),
    ),
    "Parquet named as text": Faulty(
        "patients.csv",
        SOUND_PARQUET,
        lines=("It holds Parquet, not text; let its name end in .parquet.",),
    ),
    "Parquet without its footer": Faulty(
        "patients.parquet",
        SOUND_PARQUET[:-60],
        lines=("It cannot be read as what its name says it is; export it again.",),
    ),
    "Parquet with a spoilt page": Faulty(
        "patients.parquet",
        SOUND_PARQUET[:4] + b"x" * 40 + SOUND_PARQUET[44:],
        lines=("It cannot be read as what its name says it is; export it again.",),
    ),
    "Parquet with a spoilt footer": Faulty(
        "patients.parquet",
        SOUND_PARQUET[:-80] + b"\xff" * 72 + SOUND_PARQUET[-8:],
        lines=("It cannot be read as what its name says it is; export it again.",),
    ),
    "Parquet whose text is none": Faulty(
        "patients.parquet",
        not_utf8_in_parquet(),
        lines=("It cannot be read as what its name says it is; export it again.",),
    ),
    "Parquet with a column whose name is no text": Faulty(
        "patients.parquet",
        not_utf8_in_a_column_name(),
        lines=("It cannot be read as what its name says it is; export it again.",),
    ),
    "two Parquet columns of one name": Faulty(
        "patients.parquet",
        two_columns_of_one_name(),
        lines=("The column status stands in it twice; leave one out.",),
    ),
    "a list in Parquet": Faulty(
        *parquet(status=pa.array([["active"]])),
        lines=(no_single_values(2),),
    ),
    "a record in Parquet": Faulty(
        *parquet(status=pa.array([{"is": "active"}])),
        lines=(no_single_values(2),),
    ),
    "a map in Parquet": Faulty(
        *parquet(status=pa.array([[("a", 1)]], pa.map_(pa.string(), pa.int64()))),
        lines=(no_single_values(2),),
    ),
    "bytes in Parquet": Faulty(
        *parquet(status=pa.array([b"active"])),
        lines=(no_single_values(2),),
    ),
    "a number for a code in Parquet": Faulty(
        *parquet(status=pa.array([1])), lines=("Row 2, status: unknown_code",)
    ),
    "a time for a day in Parquet": Faulty(
        *parquet(status_date=pa.array([datetime(2026, 3, 4, 9, 30)])),
        lines=("1 of status_date: unreadable",),
        accepted=1,
    ),
    "a time with a zone in Parquet": Faulty(
        *parquet(status_date=pa.array([datetime(2026, 3, 4, 9, 30, tzinfo=EAST)])),
        lines=("1 of status_date: unreadable",),
        accepted=1,
    ),
    "a time of day for a day in Parquet": Faulty(
        *parquet(status_date=pa.array([datetime(2026, 3, 4, 9).time()])),
        lines=("1 of status_date: unreadable",),
        accepted=1,
    ),
    "a span for a day in Parquet": Faulty(
        *parquet(status_date=pa.array([timedelta(days=3)])),
        lines=(no_single_values(3),),
    ),
    "a column of nothing in Parquet": Faulty(
        *parquet(status=pa.array([None], pa.null())), lines=("Row 2, status: missing",)
    ),
    "a wide decimal in Parquet": Faulty(
        *parquet(status_date=pa.array([Decimal(10) ** 60], pa.decimal256(70, 2))),
        lines=(no_single_values(3),),
    ),
    "a day far away in Parquet": Faulty(
        *parquet(status_date=pa.array([date(9999, 12, 31)])),
        lines=("1 of status_date: after_batch",),
        accepted=1,
    ),
    # numbers
    "numbers that are none": Faulty(
        *cell(
            "outcomes", "value", "1e309", "NaN", "inf", "-inf", "0x1F", "1,000", "1 000", "1_000"
        ),
        lines=(
            "Row 2, value: unreadable",
            "Row 3, value: unreadable",
            "Row 4, value: unreadable",
            "Row 5, value: unreadable",
            "Row 6, value: unreadable",
            "Row 7, value: unreadable",
            "Row 8, value: unreadable",
            "Row 9, value: unreadable",
        ),
    ),
    "numbers in other digits": Faulty(
        *cell("outcomes", "value", "٣", "\uff13", "½", "1e", "--1", "1.2.3"),
        lines=(
            "Row 2, value: unreadable",
            "Row 3, value: unreadable",
            "Row 4, value: unreadable",
            "Row 5, value: unreadable",
            "Row 6, value: unreadable",
            "Row 7, value: unreadable",
        ),
    ),
    "numbers out of range": Faulty(
        *cell("outcomes", "value", "1e17", "-0.000001", "9" * 40),
        lines=(
            "Row 2, value: unreadable",
            "Row 3, value: out_of_range",
            "Row 4, value: unreadable",
        ),
    ),
    "numbers that stand": Faulty(
        *cell("outcomes", "value", "-0", "1e1", "+5", "007"), lines=(), accepted=4
    ),
    "numbers in Parquet that are none": Faulty(
        "outcomes.parquet",
        numbers_in_parquet(),
        lines=(
            "Row 2, value: unreadable",
            "Row 3, value: unreadable",
            "Row 5, value: unreadable",
        ),
        accepted=2,
    ),
    # days
    "days that are none": Faulty(
        *cell("visits", "visit_date", "2026-02-31", "2026-02-29", "2100-02-29", "2026-00-10"),
        lines=(
            "Row 2, visit_date: unreadable",
            "Row 3, visit_date: unreadable",
            "Row 4, visit_date: unreadable",
            "Row 5, visit_date: unreadable",
        ),
    ),
    "days in other orders": Faulty(
        *cell("visits", "visit_date", "03/04/2026", "4.3.2026", "20260304", "2026-3-4", "46085"),
        lines=(
            "Row 2, visit_date: unreadable",
            "Row 3, visit_date: unreadable",
            "Row 4, visit_date: unreadable",
            "Row 5, visit_date: unreadable",
            "Row 6, visit_date: unreadable",
        ),
    ),
    "days too early or late": Faulty(
        *cell("visits", "visit_date", "0202-03-04", "2026-04-01"),
        lines=(
            "Row 2, visit_date: before_2000",
            "Row 3, visit_date: after_batch",
        ),
    ),
    # ids
    "ids with what cannot be seen": Faulty(
        *cell(
            "visits",
            "patient_id",
            "P\u200b1",
            "P\u202e1",
            "P\u2066 1",
            "\ufeffP1",
            "P\x071",
            "P\u00ad1",
        ),
        lines=(
            "Row 2, patient_id: unreadable",
            "Row 3, patient_id: unreadable",
            "Row 4, patient_id: unreadable",
            "Row 5, patient_id: unreadable",
            "Row 6, patient_id: unreadable",
            "Row 7, patient_id: unreadable",
        ),
    ),
    "ids that look odd and are none the worse": Faulty(
        *cell(
            "visits",
            "patient_id",
            "'; drop table visits; --",
            "<script>alert(1)</script>",
            'a,b "c"',
            "=1+1",
            "+cmd|' /C calc'!A0",
            "@sum",
            "-2+3",
            "é" * 60,
            "x" * 4096,
            "../../etc/passwd",
            "%s%n",
            "{{7*7}}",
            "null",
        ),
        lines=(),
        accepted=13,
    ),
    "no ids": Faulty(
        *cell("visits", "visit_id", "", "  ", "\t"), lines=("Row 2, visit_id: missing",)
    ),
    # codes
    "codes in other words": Faulty(
        *cell("patients", "status", "Active", "ACTIVE", "=active", "<b>active</b>", "active\u200b"),
        lines=(
            "Row 2, status: unknown_code",
            "Row 3, status: unknown_code",
            "Row 4, status: unknown_code",
            "Row 5, status: unknown_code",
            "Row 6, status: unknown_code",
        ),
    ),
    "a text for a code": Faulty(
        *cell("patients", "status", "y" * 4096), lines=("Row 2, status: unknown_code",)
    ),
}
