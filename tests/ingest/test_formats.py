"""Encodings, separators and workbooks: what is unmistakable, what must be declared."""

import gzip
import io
import zipfile
from datetime import date, datetime

import polars as pl
import pytest
import xlsxwriter

from ingest import encodings, sheets

HEADER = "patient_id,status,operator\n"


def told(exports, file="patients.csv"):
    report = exports.read()
    return report.files.filter(file=file).row(0, named=True)


def ids(exports):
    report = exports.read()
    assert report.files["file_refused"].to_list() == [False], report.files["file_reason"][0]
    return exports.accepted("sessions")["operator"].to_list()


class TestEncodings:
    TEXT = "patient_id,status,room\nP1,active,Höhe €\n"

    @pytest.mark.parametrize(
        ("encoding", "said", "read_as"),
        [
            ("utf-8", None, "CSV, UTF-8, commas"),
            ("utf-8-sig", None, "CSV, UTF-8, commas"),
            ("utf-8-sig", "utf-8", "CSV, UTF-8, commas"),
            ("utf-16", None, "CSV, UTF-16, commas"),
            ("utf-16", "utf-16", "CSV, UTF-16, commas"),
            ("utf-16-le", "utf-16-le", "CSV, UTF-16, commas"),
            ("utf-16-be", "utf-16-be", "CSV, UTF-16, commas"),
            ("cp1252", "windows-1252", "CSV, Windows-1252, commas"),
        ],
    )
    @pytest.mark.parametrize("packed", [False, True])
    def test_read_and_reported(self, exports, encoding, said, read_as, packed):
        exports.map(f'encoding = "{said}"' if said else "")
        content = self.TEXT.encode(encoding)
        file = "patients.csv.gz" if packed else "patients.csv"
        exports.write_bytes(file, gzip.compress(content) if packed else content)
        file_told = told(exports, file)
        assert file_told["read_as"] == read_as
        assert (file_told["rows_read"], file_told["accepted"]) == (1, 1)

    def test_letters_come_through(self, exports, monkeypatch):
        exports.map('encoding = "windows-1252"\n[codes.status]\n"für immer" = "active"')
        exports.write_bytes("patients.csv", "patient_id,status\nP1,FÜR immer\n".encode("cp1252"))
        assert told(exports)["accepted"] == 1

    REFUSED = (
        ("cp1252", None, "Line 2 is not UTF-8; save it as CSV in UTF-8, or if it is Windows-1252, "
                         'say encoding = "windows-1252" in mappings/alder.toml.'),
        ("cp1252", "utf-8", "Line 2 is not UTF-8; save it as CSV in UTF-8, or if it is "
                            'Windows-1252, say encoding = "windows-1252" in mappings/alder.toml.'),
        ("utf-8", "windows-1252", "It seems to be UTF-8, but mappings/alder.toml says "
                                  'encoding = "windows-1252"; correct it.'),
        ("utf-8-sig", "windows-1252", "It begins as UTF-8 does, but mappings/alder.toml says "
                                      'encoding = "windows-1252"; correct one of the two.'),
        ("utf-16", "utf-8", "It begins as UTF-16 does, but mappings/alder.toml says "
                            'encoding = "utf-8"; correct one of the two.'),
        ("utf-16", "utf-16-be", "It begins as UTF-16 does, but mappings/alder.toml says "
                                'encoding = "utf-16-be"; correct one of the two.'),
        ("utf-16-le", "utf-16", "Its bytes do not begin with a byte order mark; say utf-16-le or "
                                "utf-16-be as its encoding in mappings/alder.toml."),
        ("utf-16-le", None, "Line 1 holds a NUL byte, as no text does; export it as CSV in UTF-8."),
    )  # fmt: skip

    @pytest.mark.parametrize(("encoding", "said", "reason"), REFUSED)
    def test_doubtful_ones_name_the_setting(self, exports, encoding, said, reason):
        exports.map(f'encoding = "{said}"' if said else "")
        exports.write_bytes("patients.csv", self.TEXT.encode(encoding))
        assert told(exports)["file_reason"] == reason

    def test_a_byte_that_windows_1252_does_not_have(self, exports):
        exports.map('encoding = "windows-1252"')
        exports.write_bytes("patients.csv", b"patient_id,status\nP\xfc,active\nP\x81,active\n")
        assert told(exports)["file_reason"] == (
            "Line 3 is not Windows-1252; correct encoding in mappings/alder.toml."
        )

    def test_utf16_cut_off_in_a_character(self, exports):
        exports.write_bytes("patients.csv", self.TEXT.encode("utf-16")[:-1])
        assert told(exports)["file_reason"] == (
            "Line 2 is not UTF-16; correct encoding in mappings/alder.toml."
        )

    def test_a_character_over_two_chunks(self):
        source = io.BytesIO("aé€𝄞".encode("utf-16-le"))
        text = encodings.Transcoded(source, "utf-16-le", "")
        assert b"".join(iter(lambda: text.read(3), b"")).decode() == "aé€𝄞"


class TestSeparators:
    @pytest.mark.parametrize(
        ("mark", "name"), [(";", "semicolons"), ("\t", "tabs"), (",", "commas")]
    )
    @pytest.mark.parametrize("said", [False, True])
    def test_read_and_reported(self, exports, mark, name, said):
        exports.map(f"delimiter = '{mark}'".replace("\t", "\\t").replace("'", '"') if said else "")
        exports.write_bytes("patients.csv", f"patient_id{mark}status\nP1{mark}active\n".encode())
        assert told(exports)["read_as"] == f"CSV, UTF-8, {name}"
        assert exports.accepted("patients").height == 1

    def test_another_than_is_said(self, exports):
        exports.map('delimiter = ";"')
        exports.write_bytes("patients.csv", b"patient_id,status\nP1,active\n")
        assert told(exports)["file_reason"] == (
            "Its row 1 names no column of patients, so it is no header; put the header there, such "
            "as patient_id,..., or correct header_row or delimiter in mappings/alder.toml."
        )

    def test_two_that_both_give_the_columns(self, exports):
        exports.map('[patients.columns]\npatient_id = ["a"]\nstatus = ["a"]')
        exports.write_bytes("patients.csv", b"x,a,y;a;z\n1,2,3;4;5\n")
        assert told(exports)["file_reason"] == (
            "Its columns can be parted in two ways; say delimiter in mappings/alder.toml."
        )


def workbook(exports, write, sheets=("Export",), file="outcomes.xlsx"):
    path = exports.folder() / file
    with xlsxwriter.Workbook(path) as book:
        write(book, *(book.add_worksheet(name) for name in sheets))
    return path


COLUMNS = ["outcome_id", "patient_id", "assessed_date", "eye", "measure", "value"]


def plain(book, sheet, *_):
    """A header and two rows, with a day and a number as cells of their own type."""
    day = book.add_format({"num_format": "dd/mm/yyyy"})
    sheet.write_row(0, 0, COLUMNS)
    for row, value in enumerate([31.25, 20], start=1):
        sheet.write_row(row, 0, [1000000000000 + row, 7, None, "both", "osdi", value])
        sheet.write_datetime(row, 2, datetime(2026, 3, 3 + row), day)


class TestWorkbooks:
    def test_days_and_numbers_as_cells(self, exports):
        workbook(exports, plain)
        assert told(exports, "outcomes.xlsx")["read_as"] == "XLSX, sheet Export"
        rows = exports.accepted("outcomes")
        assert rows["assessed_date"].to_list() == [date(2026, 3, 4), date(2026, 3, 5)]
        assert rows["value"].cast(pl.Float64).to_list() == [31.25, 20]
        assert rows["source_row"].to_list() == [2, 3]
        own = rows["outcome_key"].to_list()
        (exports.folder() / "outcomes.xlsx").unlink()
        exports.write("outcomes", {"outcome_id": "1000000000001"})
        exports.read()
        assert exports.accepted("outcomes")["outcome_key"].to_list() == own[:1]

    def test_text_and_typed_cells_in_one_column(self, exports):
        def write(book, sheet):
            plain(book, sheet)
            sheet.write_string(1, 2, "04.03.2026")
            sheet.write_string(1, 5, "31,5")

        workbook(exports, write)
        exports.map('dates = "dd.mm.yyyy"\ndecimal = ","')
        told(exports, "outcomes.xlsx")
        rows = exports.accepted("outcomes")
        assert rows["assessed_date"].to_list() == [date(2026, 3, 4), date(2026, 3, 5)]
        assert rows["value"].cast(pl.Float64).to_list() == [31.5, 20]

    def test_true_and_false(self, exports):
        def write(_, sheet):
            sheet.write_row(0, 0, ["patient_id", "status", "treated_before"])
            sheet.write_row(1, 0, ["P1", "active", True])
            sheet.write_row(2, 0, ["P2", "active", False])

        workbook(exports, write, file="patients.xlsx")
        assert told(exports, "patients.xlsx")["accepted"] == 2
        assert exports.accepted("patients")["treated_before"].to_list() == [True, False]

    def test_a_time_of_day_is_no_day(self, exports):
        def write(book, sheet):
            plain(book, sheet)
            moment = book.add_format({"num_format": "dd/mm/yyyy hh:mm"})
            sheet.write_datetime(1, 2, datetime(2026, 3, 4, 9, 30), moment)

        workbook(exports, write)
        assert told(exports, "outcomes.xlsx")["refused"] == 1
        exports.map('dates = "dd/mm/yyyy hh:mm"')
        assert told(exports, "outcomes.xlsx")["refused"] == 0

    def test_blank_rows_and_a_place_apart_keep_their_numbers(self, exports):
        def write(_, sheet):
            sheet.write_row(4, 2, ["patient_id", "status"])
            sheet.write_row(6, 2, ["P1", "active"])

        workbook(exports, write, file="patients.xlsx")
        exports.map("header_row = 5")
        told(exports, "patients.xlsx")
        assert exports.accepted("patients")["source_row"].to_list() == [7]

    def test_the_sheet_that_is_named(self, exports):
        workbook(exports, lambda book, one, two: plain(book, two), sheets=("Notes", "Export"))
        assert told(exports, "outcomes.xlsx")["file_reason"] == (
            "It has 2 sheets; say which is meant: sheet in mappings/alder.toml."
        )
        exports.map('sheet = "Exprt"')
        assert told(exports, "outcomes.xlsx")["file_reason"] == (
            "It has no sheet 'Exprt'; name it so, or correct sheet in mappings/alder.toml."
        )
        exports.map('sheet = "Export"')
        assert told(exports, "outcomes.xlsx")["accepted"] == 2

    def test_a_formula_in_a_row(self, exports):
        def write(book, sheet):
            plain(book, sheet)
            sheet.write_formula("F3", "=F2-1", None, 20)

        workbook(exports, write)
        assert told(exports, "outcomes.xlsx")["file_reason"] == (
            "The cell F3 holds a formula; put its value there and export again."
        )

    def test_a_formula_in_a_row_that_is_skipped(self, exports):
        def write(book, sheet):
            plain(book, sheet)
            sheet.write("A5", "Total")
            sheet.write_formula("F5", "=SUM(F2:F3)", None, 51.25)

        workbook(exports, write)
        exports.map('[[outcomes.skip]]\nequals = "total"')
        file_told = told(exports, "outcomes.xlsx")
        assert (file_told["rows_read"], file_told["accepted"]) == (2, 2)

    def test_merged_cells(self, exports):
        def write(book, sheet):
            plain(book, sheet)
            sheet.merge_range("D2:D3", "both")

        workbook(exports, write)
        assert told(exports, "outcomes.xlsx")["file_reason"] == (
            "The cells D2:D3 are merged; part them and export again."
        )

    def test_a_merged_title_above_the_header(self, exports):
        def write(_, sheet):
            sheet.merge_range("A1:C1", "All patients")
            sheet.write_row(2, 0, ["patient_id", "status"])
            sheet.write_row(3, 0, ["P1", "active"])

        workbook(exports, write, file="patients.xlsx")
        exports.map("header_row = 3")
        assert told(exports, "patients.xlsx")["accepted"] == 1

    def test_line_breaks_in_a_cell(self, exports):
        def write(book, sheet):
            plain(book, sheet)
            sheet.write("A2", "O\n1")

        workbook(exports, write)
        assert told(exports, "outcomes.xlsx")["file_reason"].startswith("Row 2 runs over")

    def test_an_empty_sheet(self, exports):
        workbook(exports, lambda *_: None)
        assert told(exports, "outcomes.xlsx")["file_reason"] == (
            "The sheet has no row 1, its header; export it again, or say another sheet or "
            "header_row in mappings/alder.toml."
        )

    def test_a_header_alone(self, exports):
        workbook(exports, lambda _, sheet: sheet.write_row(0, 0, COLUMNS))
        file_told = told(exports, "outcomes.xlsx")
        assert (file_told["file_refused"], file_told["rows_read"]) == (False, 0)

    NO_WORKBOOK = "It cannot be read as an XLSX workbook; save it again, or as CSV in UTF-8."

    @pytest.mark.parametrize(
        "content", [b"", b"PK\x03\x04", b"patient_id,status\n", b"\xd0\xcf\x11"]
    )
    def test_what_is_no_workbook(self, exports, content):
        exports.write_bytes("outcomes.xlsx", content)
        assert told(exports, "outcomes.xlsx")["file_reason"] == self.NO_WORKBOOK

    def test_a_cut_off_workbook(self, exports):
        path = workbook(exports, plain)
        path.write_bytes(path.read_bytes()[:-100])
        assert told(exports, "outcomes.xlsx")["file_reason"] == self.NO_WORKBOOK

    def test_another_zip(self, exports):
        with zipfile.ZipFile(exports.folder() / "outcomes.xlsx", "w") as other:
            other.writestr("a.txt", "x")
        assert told(exports, "outcomes.xlsx")["file_reason"] == self.NO_WORKBOOK

    def test_one_that_unpacks_to_too_much(self, exports, monkeypatch):
        monkeypatch.setattr(sheets, "MOST_BYTES", 1 << 10)
        workbook(exports, plain)
        assert told(exports, "outcomes.xlsx")["file_reason"].startswith("It unpacks to")

    def test_marks_are_found_over_chunks(self, exports, monkeypatch):
        monkeypatch.setattr(sheets, "CHUNK_BYTES", 64)
        self.test_merged_cells(exports)
        self.test_a_formula_in_a_row(exports)

    def test_blocks(self, exports, monkeypatch):
        monkeypatch.setattr(sheets, "BLOCK_ROWS", 1)
        workbook(exports, plain)
        assert told(exports, "outcomes.xlsx")["accepted"] == 2
