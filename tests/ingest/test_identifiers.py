"""Files that seem to hold identifiers are refused whole, and nothing of them is kept.

All names, numbers and addresses are invented; the phone numbers are of ranges kept for fiction
(555-01xx in North America, 7946 0xxx in London; from memory).
"""

import polars as pl
import pytest

from ingest import gathering, reading
from tests.ingest.invented import SOUND, as_csv

SECRET_TEXTS = {
    "mail addresses": ["ida.invented@example.org", "x@y.example"],
    "phone numbers": [
        "+1 202 555 0143",
        "+12025550143",
        "+1.202.555.0143",
        "+44 (0)20 7946 0958",
        "(202) 555-0143",
        "202-555-0143",
        "202.555.0143",
    ],
    "national numbers": ["078-05-1120"],
    "names of persons": ["Ida Invented", "Invented, Ida", "Ida M. Invented", "Émile Zôbel"],
}
SHAPES = [(shape, text) for shape, texts in SECRET_TEXTS.items() for text in texts]


def refusal(exports, rows, columns, kind="sessions"):
    """Why a file is refused; proves that none of its values is in anything that was written."""
    path = exports.folder() / f"{kind}.csv"
    path.write_text(as_csv(rows, columns))
    report = exports.read()
    counted = report.files.row(0, named=True)
    assert counted["file_refused"]
    assert counted["rows_read"] == counted["accepted"] == counted["refused"] == 0
    written = [unit.accepted for unit in report.units]
    kept = " ".join(pl.read_parquet(file).write_json() for file in written) + str(report)
    secrets = {row[column] for row in rows for column in columns if column not in SOUND[kind]}
    assert not [secret for secret in secrets - {""} if secret in kept]
    assert report.units[0].refused is None
    return counted["file_reason"]


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("patient_name", "a name"),
        ("Surname", "a name"),
        ("FirstName", "a name"),
        ("date_of_birth", "a birth date"),
        ("DOB", "a birth date"),
        ("Birth Date", "a birth date"),
        ("phone", "a phone number"),
        ("mobile_no", "a phone number"),
        ("E-Mail", "a mail address"),
        ("email", "a mail address"),
        ("home address", "an address"),
        ("postcode", "an address"),
        ("ZIP", "an address"),
        ("MRN", "a record number"),
        ("chart_number", "a record number"),
        ("ssn", "a record number"),
        ("insurance_no", "an insurance number"),
        ("policy", "an insurance number"),
    ],
)
def test_a_column_named_like_an_identifier_refuses_the_file(exports, name, what):
    rows = [SOUND["sessions"] | {name: "zzz"}]
    reason = refusal(exports, rows, [*SOUND["sessions"], name])
    shown = name.lower()
    assert reason == (f"The column '{shown}' is named like {what}; leave it out and export again.")


@pytest.mark.parametrize("name", ["remark", "room", "visit_type", "weight", "lens_brand", "total"])
def test_other_columns_do_not(exports, name):
    path = exports.folder() / "sessions.csv"
    path.write_text(as_csv([SOUND["sessions"] | {name: "7"}], [*SOUND["sessions"], name]))
    assert exports.read().files["file_refused"].to_list() == [False]


@pytest.mark.parametrize(("shape", "text"), SHAPES)
class TestValues:
    def test_in_a_column_that_the_contract_does_not_know(self, exports, shape, text):
        rows = [SOUND["sessions"] | {"remark": text}]
        reason = refusal(exports, rows, [*SOUND["sessions"], "remark"])
        assert reason == (
            "Column 1 of those that the contract does not know holds values shaped like "
            f"{shape}; leave it out and export again."
        )

    @pytest.mark.parametrize("column", ["patient_id", "operator"])
    def test_in_ids_and_clinics_codes(self, exports, column, shape, text):
        exports.write("sessions", {column: text})
        report = exports.read()
        reason = report.files["file_reason"][0]
        assert reason == (
            f"The column {column} holds values shaped like {shape}; leave it out and export again."
        )
        assert exports.accepted("sessions").height == 0
        assert text not in reason


@pytest.mark.parametrize(
    ("shape", "text"), [pair for pair in SHAPES if pair[0] != "names of persons"]
)
@pytest.mark.parametrize("column", ["session_date", "protocol", "minutes", "adverse_event"])
def test_in_any_other_column_of_the_contract(exports, column, shape, text):
    exports.write("sessions", {}, {"session_id": "S2", column: text})
    reason = exports.read().files["file_reason"][0]
    assert reason.startswith(f"The column {column} holds values shaped like {shape};")
    assert exports.refused("sessions").height == 0


@pytest.mark.parametrize("text", ["+5", "+41.5000000", "-0.5", "1234567890", "+2026-03-04"])
@pytest.mark.parametrize("column", ["session_date", "minutes"])
def test_signed_numbers_and_odd_dates_are_no_phone_numbers(exports, column, text):
    exports.write("sessions", {}, {"session_id": "S2", column: text})
    assert exports.read().files["file_refused"].to_list() == [False]


def test_codes_written_as_names_are_no_persons(exports):
    exports.write("sessions", {"eye": "Right Eye", "purpose": "Whole Course"})
    exports.read()
    assert exports.reasons("sessions") == [[("eye", "unknown_code"), ("purpose", "unknown_code")]]


@pytest.mark.parametrize("text", ["ida.invented@example.org", "202-555-0143"])
def test_a_header_that_holds_one_is_not_shown(exports, text):
    reason = refusal(exports, [SOUND["sessions"] | {text: "zzz"}], [*SOUND["sessions"], text])
    assert reason.startswith("The header holds values shaped like")


@pytest.mark.parametrize("text", ["1951-04-30", "30.04.1951", "4/30/1951", "1951-04-30 00:00:00"])
def test_a_column_of_birth_dates_refuses_the_file(exports, text):
    rows = [SOUND["sessions"] | {"session_id": str(n), "day": text} for n in range(3)]
    reason = refusal(exports, rows, [*SOUND["sessions"], "day"])
    assert "shaped like birth dates" in reason


@pytest.mark.parametrize("text", ["2026-03-04", "04.03.2026", "1951", "19510430", "1951/17"])
def test_a_column_of_other_dates_and_numbers_does_not(exports, text):
    path = exports.folder() / "sessions.csv"
    path.write_text(as_csv([SOUND["sessions"] | {"day": text}], [*SOUND["sessions"], "day"]))
    assert exports.read().files["file_refused"].to_list() == [False]


@pytest.mark.parametrize(
    "id_", ["1234567890", "2026-03-15-0012", "A-7", "P 17", "123-45-678", "mgd/3", "555-0143"]
)
def test_ids_as_clinics_write_them_do_not(exports, id_):
    exports.write("sessions", {"session_id": id_, "patient_id": id_})
    assert exports.read().files["file_refused"].to_list() == [False]


def test_one_operators_name_among_codes_is_emptied_and_not_kept(exports):
    changes = [{"session_id": str(n)} for n in range(3)]
    exports.write("sessions", *changes, {"operator": "Ida Invented", "protocol": "ten_daily"})
    exports.read()
    assert exports.refused("sessions")["operator"].to_list() == [None]
    assert exports.refused("sessions")["device"].to_list() == ["dev-2"]


def test_an_identifier_late_in_a_long_file_refuses_it_before_a_row_is_kept(exports, monkeypatch):
    monkeypatch.setattr(reading, "WHOLE_BYTES", 4096)
    monkeypatch.setattr(reading, "BLOCK_BYTES", 2048)
    monkeypatch.setattr(gathering, "WHOLE_BYTES", 4096)
    monkeypatch.setattr(gathering, "IN_MEMORY_BYTES", 4096)
    rows = [SOUND["sessions"] | {"session_id": str(n), "remark": ""} for n in range(200)]
    rows[-1]["remark"] = "ida.invented@example.org"
    kept = []
    monkeypatch.setattr(gathering._Rows, "add", lambda *_: kept.append(1))
    reason = refusal(exports, rows, [*SOUND["sessions"], "remark"])
    assert "shaped like mail addresses" in reason
    assert not kept
