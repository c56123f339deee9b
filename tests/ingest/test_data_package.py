"""The contract as a Data Package, held against the reference validator.

Reference: the Python package `frictionless` 5.21, by the authors of the Data Package standard
(https://datapackage.org/).
"""

import json

import frictionless
import pytest

from ingest.contract import KINDS, MEASURES, Type
from ingest.contract_page import EXAMPLES
from ingest.data_package import DESCRIPTOR, descriptor, write_contract
from synthetic_data import make_exports

PROTOCOLS = ("four_fortnightly", "three_monthly")


def faults(kind, path):
    """(type, field) of each fault that the reference validator finds in a CSV file."""
    [resource] = [each for each in descriptor()["resources"] if each["name"] == kind]
    report = frictionless.Resource.from_descriptor(
        {**resource, "path": path.name}, basepath=str(path.parent)
    ).validate()
    return {(fault, field) for fault, field in report.flatten(["type", "fieldName"])}


@pytest.fixture(scope="module")
def clean_exports(tmp_path_factory):
    root = tmp_path_factory.mktemp("clean")
    make_exports(root, patients=60, seed=3, months=3, dirty_share=0)
    return root / "exports"


def test_the_descriptor_is_a_valid_package():
    assert frictionless.Package.validate_descriptor(descriptor(PROTOCOLS)).flatten() == []


def test_a_descriptor_that_is_none_is_told_apart():
    broken = json.loads(json.dumps(descriptor()))
    broken["resources"][0]["schema"]["fields"][0]["type"] = "key"
    assert not frictionless.Package.validate_descriptor(broken).valid


def test_every_kind_of_a_clean_export_passes(clean_exports):
    seen = set()
    for path in sorted((clean_exports / "alder").glob("*/*.csv")):
        kind = path.name.removesuffix(".csv")
        assert faults(kind, path) == set(), path
        seen.add(kind)
    assert seen == {kind.name for kind in KINDS}


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_the_contract_s_own_example_passes(tmp_path, kind):
    path = tmp_path / f"{kind.name}.csv"
    path.write_text(EXAMPLES[kind.name].lstrip())
    assert faults(kind.name, path) == set()


@pytest.mark.parametrize(
    ("kind", "old", "new", "fault"),
    [
        ("visits", "V-1001,P-17", "V-1001,", ("constraint-error", "patient_id")),
        ("visits", "2026-03-02,assessment,moderate", "02/03/2026,assessment,moderate",
         ("type-error", "visit_date")),
        ("visits", "2026-03-02,assessment,moderate", "1999-12-31,assessment,moderate",
         ("constraint-error", "visit_date")),
        ("visits", "mgd,61", "mgd,121", ("constraint-error", "age_years")),
        ("visits", "mgd,61", "mgd,61.5", ("type-error", "age_years")),
        ("visits", "V-1002", "V-1001", ("primary-key", None)),
        ("sessions", "right,course", "both,course", ("constraint-error", "eye")),
        ("sessions", "41.5,6", "29.9,6", ("constraint-error", "plateau_temp_c")),
        ("sessions", "41.5,6", "41.5,61", ("constraint-error", "minutes")),
        ("sessions", "yes,op1,none", "ja,op1,none", ("type-error", "screened")),
        ("sessions", "yes,op1,none", "yes,A. Invented,none", ("constraint-error", "operator")),
        ("outcomes", "both,osdi", "both,itching", ("constraint-error", "measure")),
    ],
)  # fmt: skip
def test_what_the_contract_refuses_or_flags_the_validator_faults(tmp_path, kind, old, new, fault):
    text = EXAMPLES[kind].lstrip()
    assert old in text
    path = tmp_path / f"{kind}.csv"
    path.write_text(text.replace(old, new, 1))
    assert fault in faults(kind, path)


def test_a_column_that_is_required_may_not_be_left_out(tmp_path):
    header, *rows = EXAMPLES["patients"].strip().splitlines()
    path = tmp_path / "patients.csv"
    path.write_text("\n".join([header.replace("status,", "standing,", 1), *rows]))
    assert ("missing-label", "status") in faults("patients", path)


def test_a_column_of_the_clinic_s_own_is_no_fault(tmp_path):
    path = tmp_path / "patients.csv"
    path.write_text("room,patient_id,status\n4,P-1,active\n")
    assert faults("patients", path) == set()


def test_a_temperature_above_its_range_is_no_fault(tmp_path):
    path = tmp_path / "sessions.csv"
    path.write_text(EXAMPLES["sessions"].lstrip().replace("41.5,6", "50.5,6", 1))
    assert faults("sessions", path) == set()


def test_every_column_has_its_type_unit_and_codes():
    fields = {
        (resource["name"], field["name"]): field
        for resource in descriptor(PROTOCOLS)["resources"]
        for field in resource["schema"]["fields"]
    }
    assert set(fields) == {(kind.name, column.name) for kind in KINDS for column in kind.columns}
    for kind in KINDS:
        for column in kind.columns:
            field = fields[kind.name, column.name]
            assert field.get("unit") == column.unit
            codes = PROTOCOLS if column.type is Type.PROTOCOL else column.codes
            assert field.get("constraints", {}).get("enum", []) == list(codes)
    assert [measure["name"] for measure in descriptor()["measures"]] == [m.name for m in MEASURES]


def test_a_group_that_is_not_known_names_no_protocol():
    [sessions] = [each for each in descriptor()["resources"] if each["name"] == "sessions"]
    [protocol] = [each for each in sessions["schema"]["fields"] if each["name"] == "protocol"]
    assert protocol["constraints"] == {"required": True}


def test_a_folder_gets_the_descriptor_and_a_sheet_for_each_kind(tmp_path):
    written = write_contract(tmp_path / "contract", PROTOCOLS)
    assert [path.name for path in written] == [DESCRIPTOR, *(f"{kind.name}.md" for kind in KINDS)]
    assert json.loads(written[0].read_text()) == descriptor(PROTOCOLS)
    for kind, path in zip(KINDS, written[1:], strict=True):
        sheet = path.read_text(encoding="utf-8")
        assert sheet.startswith(f"# The export `{kind.name}`\n")
        assert all(f"| `{column.name}` |" in sheet for column in kind.columns)
        assert ("## Measures" in sheet) == (kind.name == "outcomes")
        others = {other.name for other in KINDS} - {kind.name}
        assert not any(f"## `{other}`" in sheet for other in others)
