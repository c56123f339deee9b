"""Files as they come: what of a file's form is forgiven, and what refuses a row or the file."""

import gzip
from datetime import date, datetime
from decimal import Decimal

import polars as pl
import pytest

from ingest import reading
from ingest.contract import PATIENTS, VISITS
from ingest.reading import read_blocks
from pipeline.errors import WrongUse
from tests.ingest.invented import SOUND, as_csv

HEADER = b"patient_id,status\n"
NOT_UTF8 = (
    "Line {} is not UTF-8; save it as CSV in UTF-8, or if it is Windows-1252, say "
    'encoding = "windows-1252" in mappings/alder.toml.'
)


def rows(exports, content, file="patients.csv"):
    """What a file of patients gives: rows as (row number, patient, status)."""
    path = exports.write_bytes(file, content)
    return [
        row
        for block in read_blocks(path, PATIENTS)
        for row in block.rows.select("source_row", "patient_id", "status").rows()
    ]


def refusal(exports, content, file="patients.csv"):
    """Why a file is refused as a whole; proves that nothing else came of it."""
    exports.write_bytes(file, content)
    counted = exports.read().files.row(0, named=True)
    assert counted["file_refused"]
    assert counted["rows_read"] == counted["accepted"] == counted["refused"] == 0
    assert exports.accepted("patients").height == exports.refused("patients").height == 0
    return counted["file_reason"]


class TestForgiven:
    def test_a_plain_file(self, exports):
        assert rows(exports, HEADER + b"P1,active\nP2,moved\n") == [
            (2, "P1", "active"),
            (3, "P2", "moved"),
        ]

    def test_a_byte_order_mark(self, exports):
        assert rows(exports, b"\xef\xbb\xbf" + HEADER + b"P1,active\n") == [(2, "P1", "active")]

    @pytest.mark.parametrize("end", [b"\r\n", b"\r"])
    def test_other_line_ends(self, exports, end):
        content = (HEADER + b"P1,active\nP2,moved\n").replace(b"\n", end)
        assert rows(exports, content) == [(2, "P1", "active"), (3, "P2", "moved")]

    def test_no_line_end_at_the_end(self, exports):
        assert rows(exports, HEADER + b"P1,active") == [(2, "P1", "active")]

    def test_blank_lines_and_empty_rows_are_passed_over_but_keep_their_number(self, exports):
        content = HEADER + b"\nP1,active\n,\n  , \n\nP2,moved\n\n\n"
        assert rows(exports, content) == [(3, "P1", "active"), (7, "P2", "moved")]

    @pytest.mark.parametrize("mark", [b";", b"\t"])
    def test_other_separators_where_only_one_gives_the_columns(self, exports, mark):
        content = (HEADER + b"P1,active\n").replace(b",", mark)
        assert rows(exports, content) == [(2, "P1", "active")]

    @pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
    def test_utf16_with_its_mark(self, exports, encoding):
        text = "\ufeff" if encoding != "utf-16" else ""
        content = (text + "patient_id,status\nPü1,active\nP2,moved").encode(encoding)
        assert rows(exports, content) == [(2, "Pü1", "active"), (3, "P2", "moved")]

    def test_quoted_commas_and_quotes(self, exports):
        assert rows(exports, HEADER + b'"P,1",active\n"P""2""","moved"\n') == [
            (2, "P,1", "active"),
            (3, 'P"2"', "moved"),
        ]

    def test_columns_in_another_order_case_and_spacing(self, exports):
        assert rows(exports, b" Status ,PATIENT_ID\nactive,P1\n") == [(2, "P1", "active")]

    def test_a_column_that_is_optional_may_be_missing(self, exports):
        exports.write_bytes("patients.csv", HEADER + b"P1,active\n")
        exports.read()
        assert exports.accepted("patients")["treated_before"].to_list() == [None]

    def test_a_column_that_the_contract_does_not_know_is_not_read_but_flagged(self, exports):
        exports.write_bytes(
            "patients.csv", b"patient_id,status,remark,empty\nP1,active,x,\nP2,moved,,\n"
        )
        report = exports.read()
        assert report.flagged_values.select("column_name", "reason", "flagged").rows() == [
            ("remark", "unknown_column", 1)
        ]
        assert exports.accepted("patients").height == 2

    def test_a_header_alone(self, exports):
        for content in (HEADER, HEADER.strip()):
            assert rows(exports, content) == []
        report = exports.read()
        assert report.files["file_refused"].to_list() == [False]

    def test_line_breaks_in_a_column_that_is_not_read(self, exports):
        content = b'patient_id,status,remark\nP1,active,"a\nb"\nP2,moved,c\n'
        assert rows(exports, content) == [(2, "P1", "active"), (3, "P2", "moved")]

    def test_gzip(self, exports):
        content = gzip.compress(HEADER + b"P1,active\n")
        assert rows(exports, content, "patients.csv.gz") == [(2, "P1", "active")]

    def test_any_file_whose_name_begins_with_its_kind(self, exports):
        for file in ("patients.csv", "Patients-2.CSV", "patients_extra.csv"):
            exports.write_bytes(file, HEADER + file.encode() + b",active\n")
        report = exports.read()
        assert report.files["accepted"].to_list() == [1, 1, 1]
        assert len(report.units) == 1


class TestRaggedRows:
    def test_each_is_refused_with_its_number_and_the_others_stay(self, exports):
        content = HEADER + b"P1,active\nP2\nP3,moved\nP4,active,x\nP5,active,\nP6,moved\n"
        exports.write_bytes("patients.csv", content)
        report = exports.read()
        assert exports.accepted("patients")["source_row"].to_list() == [2, 4, 7]
        assert exports.refused("patients")["source_row"].to_list() == [3, 5, 6]
        assert exports.reasons("patients") == [[("whole_row", "unreadable")]] * 3
        assert report.files.select("rows_read", "accepted", "refused").rows() == [(6, 3, 3)]

    def test_nothing_of_their_text_is_kept(self, exports):
        exports.write_bytes("patients.csv", HEADER + b"P1,Invented Person,1950-01-01\n")
        exports.read()
        cells = exports.refused("patients").drop("source_file", "source_row", "reasons")
        assert cells.null_count().sum_horizontal()[0] == cells.width

    def test_a_file_of_nothing_else(self, exports):
        exports.write_bytes("patients.csv", HEADER + b"P1\nP2\n")
        report = exports.read()
        assert report.files.select("rows_read", "accepted", "refused").rows() == [(2, 0, 2)]

    def test_numbers_go_on_right_over_many_blocks(self, exports, monkeypatch):
        monkeypatch.setattr(reading, "BLOCK_BYTES", 200)
        lines = [b"P%d,active" % n if n % 7 else b"P%d" % n for n in range(2, 500)]
        path = exports.write_bytes("patients.csv", HEADER + b"\n".join(lines) + b"\n")
        blocks = list(read_blocks(path, PATIENTS))
        assert len(blocks) > 10
        numbers = {row: id_ for block in blocks for row, id_, *_ in block.rows.rows()}
        ragged = [row for block in blocks for row in block.ragged["source_row"]]
        assert numbers == {n: f"P{n}" for n in range(2, 500) if n % 7}
        assert ragged == [n for n in range(2, 500) if n % 7 == 0]


class TestRefusedFiles:
    def test_an_empty_file(self, exports):
        assert refusal(exports, b"").startswith("It is empty")

    def test_a_missing_required_column_is_named(self, exports):
        reason = refusal(exports, b"patient_id,treated_before\nP1,yes\n")
        assert reason == "The required column status is missing; add it and export again."

    def test_a_column_given_twice(self, exports):
        reason = refusal(exports, b"patient_id,status,Status\nP1,active,moved\n")
        assert reason == "The column status stands in it twice; leave one out."

    def test_a_separator_that_none_is_known_by(self, exports):
        reason = refusal(exports, (HEADER + b"P1,active\n").replace(b",", b"|"))
        assert reason == "Its columns are parted by bars; export it with commas."

    def test_what_is_not_utf8_tells_its_line(self, exports):
        content = HEADER + b"P1,active\nM\xfcller,active\n"
        assert refusal(exports, content) == NOT_UTF8.format(3)

    def test_a_character_cut_off_at_the_end(self, exports):
        assert refusal(exports, HEADER + b"P1,activ\xc3").startswith("Line 2 is not UTF-8")

    def test_a_nul_byte_tells_its_line(self, exports):
        reason = refusal(exports, HEADER + b"P1,active\nP2,mo\0ved\n")
        assert reason.startswith("Line 3 holds a NUL byte")

    def test_an_open_quotation_mark_that_swallows_the_rest(self, exports):
        reason = refusal(exports, HEADER + b'P1,active\nP2,"active\nP3,moved\nP4,moved\n')
        assert reason.startswith("Row 3 runs over several lines")

    def test_an_open_quotation_mark_that_another_one_closes(self, exports):
        reason = refusal(exports, HEADER + b'"P1,active\nP2,moved\nP3",active\nP4,moved\n')
        assert reason.startswith("Row 2 runs over several lines")

    def test_a_row_longer_than_a_block(self, exports, monkeypatch):
        monkeypatch.setattr(reading, "BLOCK_BYTES", 1 << 20)
        reason = refusal(exports, HEADER + b"P1," + b"x" * (3 << 20) + b"\nP2,active\n")
        assert reason.startswith("A row is longer than 1,048,576 bytes")

    def test_too_many_columns(self, exports):
        header = b",".join([b"patient_id", b"status", *(b"c%d" % n for n in range(100_000))])
        assert refusal(exports, header + b"\nP1,active\n").startswith(
            "It has 100,002 columns, more than 2,000"
        )

    def test_a_cut_off_gzip(self, exports):
        content = gzip.compress(HEADER + b"P1,active\n" * 1000)[:-20]
        assert "no whole gzip file" in refusal(exports, content, "patients.csv.gz")

    def test_what_is_no_gzip(self, exports):
        assert "no whole gzip file" in refusal(exports, HEADER, "patients.csv.gz")

    def test_what_is_no_parquet(self, exports):
        reason = refusal(exports, HEADER + b"P1,active\n", "patients.parquet")
        assert reason == "It cannot be read as what its name says it is; export it again."

    def test_a_folder_named_like_a_file(self, exports):
        (exports.folder() / "patients.csv").mkdir()
        reason = exports.read().files["file_reason"][0]
        assert reason.startswith("It is a folder")

    def test_what_the_system_does_not_hand_over_stops_the_run(self, exports, monkeypatch):
        """A file that cannot be read today may be whole tomorrow, so it is no refused file. The
        tests may run as a user who may read everything, so the error is put in place."""
        path = exports.write_bytes("patients.csv", HEADER)

        opened = type(path).open

        def refuse(self, *arguments, **named):
            if self == path:
                raise PermissionError(13, "Permission denied", str(path))
            return opened(self, *arguments, **named)

        with monkeypatch.context() as patched:
            patched.setattr(type(path), "open", refuse)
            with pytest.raises(PermissionError, match="Permission denied"):
                list(read_blocks(path, PATIENTS))
            with pytest.raises(WrongUse, match=r"patients.csv cannot be read: Permission denied"):
                exports.read()
        assert exports.read().files["file_refused"].to_list() == [False]

    def test_a_parquet_file_with_spoilt_pages(self, exports):
        path = exports.folder() / "patients.parquet"
        pl.DataFrame({"patient_id": ["P1"] * 999, "status": ["active"] * 999}).write_parquet(path)
        content = path.read_bytes()
        reason = refusal(exports, content[:4] + b"x" * 40 + content[44:], "patients.parquet")
        assert reason == "It cannot be read as what its name says it is; export it again."

    def test_one_refused_file_leaves_the_others_alone(self, exports):
        exports.write_bytes("patients-1.csv", b"patient_id\nP1\n")
        exports.write_bytes("patients-2.csv", HEADER + b"P2,active\n")
        report = exports.read()
        assert report.files.select("file", "accepted", "file_refused").rows() == [
            ("patients-1.csv", 0, True),
            ("patients-2.csv", 1, False),
        ]

    def test_an_unreadable_line_late_in_a_long_file(self, exports, monkeypatch):
        monkeypatch.setattr(reading, "WHOLE_BYTES", 1000)
        monkeypatch.setattr(reading, "BLOCK_BYTES", 500)
        content = HEADER + b"P1,active\n" * 1000 + b"P\xff,active\n" + b"P1,active\n" * 1000
        assert refusal(exports, content) == NOT_UTF8.format(1002)


class TestParquet:
    def parquet(self, exports, **columns):
        pl.DataFrame(columns).write_parquet(exports.folder() / "visits.parquet")
        exports.read()
        return exports.accepted("visits")

    def test_text_columns_give_what_the_same_csv_gives(self, exports):
        exports.write("visits", {}, {"visit_id": "V2", "sex": ""})
        exports.read()
        from_csv = exports.accepted("visits")
        (exports.folder() / "visits.csv").unlink()
        cells = [SOUND["visits"], SOUND["visits"] | {"visit_id": "V2", "sex": None}]
        from_parquet = self.parquet(exports, **pl.DataFrame(cells).to_dict())
        assert from_parquet.drop("source_file").equals(from_csv.drop("source_file"))

    def test_typed_columns_are_read_by_their_type(self, exports):
        visits = self.parquet(
            exports,
            visit_id=[1, 2],
            patient_id=[1234567890, None],
            visit_date=[date(2026, 3, 2), date(2026, 3, 3)],
            visit_reason=["course", "review"],
            age_years=[61.0, 62.0],
            home_care_minutes_per_day=[Decimal("7.3"), None],
            drops_per_day=pl.Series([0.1, 3.0], dtype=pl.Float32),
        )
        assert visits.select("visit_date", "age_years", "drops_per_day", "source_row").rows() == [
            (date(2026, 3, 2), 61, Decimal("0.1"), 2)
        ]
        assert visits["home_care_minutes_per_day"].to_list() == [Decimal("7.3")]
        assert exports.reasons("visits") == [[("patient_id", "missing")]]

    def test_a_time_of_day_must_be_midnight(self, exports):
        visits = self.parquet(
            exports,
            visit_id=["1", "2"],
            patient_id=["1", "1"],
            visit_date=[datetime(2026, 3, 2), datetime(2026, 3, 2, 9, 30)],
            visit_reason=["course", "course"],
        )
        assert visits["visit_date"].to_list() == [date(2026, 3, 2)]
        assert exports.reasons("visits") == [[("visit_date", "unreadable")]]

    def test_true_and_false_are_yes_and_no(self, exports):
        pl.DataFrame(
            {
                "patient_id": ["1", "2"],
                "status": ["active", "moved"],
                "treated_before": [True, None],
            }
        ).write_parquet(exports.folder() / "patients.parquet")
        exports.read()
        assert exports.accepted("patients")["treated_before"].to_list() == [True, None]

    @pytest.mark.parametrize("values", [[["a"]], [{"a": 1}], [b"a"]])
    def test_lists_and_bytes_refuse_the_file(self, exports, values):
        pl.DataFrame({"patient_id": values, "status": ["active"]}).write_parquet(
            exports.folder() / "patients.parquet"
        )
        report = exports.read()
        assert report.files["file_reason"][0].startswith("Column 1 of it holds no texts")

    def test_no_row_at_all(self, exports):
        empty = {column.name: pl.Series([], dtype=pl.String) for column in VISITS.columns}
        assert self.parquet(exports, **empty).height == 0
        assert exports.report.files["file_refused"].to_list() == [False]

    def test_rows_are_numbered_over_blocks(self, exports, monkeypatch):
        monkeypatch.setattr(reading, "BLOCK_ROWS", 10)
        cells = [SOUND["visits"] | {"visit_id": str(n)} for n in range(35)]
        visits = self.parquet(exports, **pl.DataFrame(cells).to_dict())
        assert visits["source_row"].to_list() == list(range(2, 37))


@pytest.mark.parametrize("whole", [reading.WHOLE_BYTES, 4096])
@pytest.mark.parametrize("block", [reading.BLOCK_BYTES, 1024])
def test_long_and_short_texts_are_read_alike(exports, monkeypatch, whole, block):
    cells = [SOUND["visits"] | {"visit_id": f"V{n}", "sex": "müde" * (n % 5)} for n in range(300)]
    path = exports.folder() / "visits.csv"
    path.write_text(as_csv(cells, list(SOUND["visits"])), encoding="utf-8")
    monkeypatch.setattr(reading, "WHOLE_BYTES", whole)
    monkeypatch.setattr(reading, "BLOCK_BYTES", block)
    blocks = list(read_blocks(path, VISITS))
    assert len(blocks) > 10 or block > 1024
    read = pl.concat(block.rows for block in blocks)
    expected = [{k: v or None for k, v in row.items()} for row in cells]
    assert read.drop("source_row").to_dicts() == expected
    assert read["source_row"].to_list() == list(range(2, 302))
