"""The mapping that README.md shows, read from there and applied."""

import re
from decimal import Decimal
from pathlib import Path

import pytest

import ingest
from ingest.mapping import UNITS

README = Path(ingest.__file__).parents[1] / "README.md"


@pytest.fixture
def mapping() -> str:
    text = README.read_text(encoding="utf-8")
    [example] = re.findall(r"```toml\n(# For the whole clinic.*?)```", text, re.DOTALL)
    return example


def test_its_example_reads_what_it_says(exports, mapping):
    exports.map(mapping)
    columns = "session_date;eye;purpose;protocol;plateau_temp_c;minutes;eye_shield;lids"
    header = f"Sitzung;Praxis;Nr;{columns}\n"
    rows = (
        "s1;7;1234;03.03.2026;R;course;four_fortnightly;106,88;378;ja;k. A.\n"
        "s1;7;1234;03.03.2026;l;course;four_fortnightly;106,7;360;N;-\n"
        "Summe: 2\n"
    )
    exports.write_bytes("sessions.csv", f"Liste für Prüfung\n\n{header}{rows}".encode("cp1252"))
    exports.write_bytes(
        "outcomes.csv",
        b"Patient;Datum;OSDI;TBUT R;TBUT L\n7-1234;03.03.2026;31,25;-;4,5\n",
    )
    report = exports.read()
    assert report.files["file_reason"].to_list() == [None, None]
    assert report.refused_reasons.rows() == []
    sessions, outcomes = exports.accepted("sessions"), exports.accepted("outcomes")
    assert sessions.select("eye", "plateau_temp_c", "minutes", "eye_shield", "lids").rows() == [
        ("right", Decimal("41.6"), Decimal("6.3"), True, None),
        ("left", Decimal("41.5"), Decimal(6), False, None),
    ]
    assert outcomes.select("measure", "eye", "value").rows() == [
        ("osdi", "both", Decimal("31.25")),
        ("break_up_time", "left", Decimal("4.5")),
    ]
    assert set(sessions["patient_key"]) == set(outcomes["patient_key"])


def test_every_unit_is_told():
    text = README.read_text(encoding="utf-8")
    assert all(f"`{unit}`" in text for units in UNITS.values() for unit in units)
