"""`lidcohort reveal`: a clinic's own numbers beside its keys, in one private file and nowhere else.

Exports are read in earnest.
"""

import csv
import json
import stat
from pathlib import Path

import polars as pl
import pytest

from ingest.keys import Rekeying
from pipeline.cli import carry_out
from pipeline.lock import hold
from pipeline.workspace import Workspace, key_file, lock_file

SECRET = b"an invented key of enough length"
VISITS = "visit_id,patient_id,visit_date,visit_reason\n"
PATIENTS = "patient_id,status\n"
OWN = ("CANARY-7", "=2+5", "00123", "Ärztin-9")


def key(own_id: str, site: str = "alder") -> str:
    [code] = Rekeying(SECRET).keys(pl.Series("ids", [own_id]), site, "patient")
    return code


def export(root: Path, batch: str, name: str, text: str, site: str = "alder") -> None:
    folder = root / "exports" / site / batch
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text(text)


@pytest.fixture
def exported(root):
    visits = [f"V{n},{own},2025-06-02,course" for n, own in enumerate(OWN)]
    export(root, "2025-06", "visits.csv", VISITS + "\n".join(visits))
    return root


@pytest.fixture
def listed(tmp_path):
    """A list of keys as a file."""

    def write(*keys: str, header: str = "patient_key,status", parted: str = ",") -> Path:
        path = tmp_path / "recall.csv"
        lines = [header, *(f"{one}{parted}due" for one in keys)]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8-sig")
        return path

    return write


@pytest.fixture
def reveal(lidcohort):
    return lambda path, *more, site="alder": lidcohort("reveal", "--site", site, str(path), *more)


def written(path: Path, delimiter: str = ",") -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file, delimiter=delimiter))


def told(capsys) -> str:
    output = capsys.readouterr()
    return output.out + output.err


def beside(root: Path) -> Path:
    return root.with_name("group.alder-recall.csv")


def test_each_key_gets_the_clinics_own_number_in_the_lists_order(exported, listed, reveal, capsys):
    assert reveal(listed(key("00123"), key("CANARY-7"))) == 0
    assert written(beside(exported)) == [
        {"patient_key": key("00123"), "patient_id": "00123", "status": "due"},
        {"patient_key": key("CANARY-7"), "patient_id": "CANARY-7", "status": "due"},
    ]
    assert f"Wrote {beside(exported)}, which only you may read: 2 rows" in told(capsys)


def test_only_its_owner_may_read_it(exported, listed, reveal):
    reveal(listed(key("00123")))
    assert stat.S_IMODE(beside(exported).stat().st_mode) == 0o600


def test_a_number_that_looks_like_a_formula_is_marked_and_letters_stay(exported, listed, reveal):
    reveal(listed(key("=2+5"), key("Ärztin-9")))
    assert [row["patient_id"] for row in written(beside(exported))] == ["'=2+5", "Ärztin-9"]


def test_a_cell_of_the_list_that_looks_like_a_formula_is_marked(exported, tmp_path, reveal):
    path = tmp_path / "recall.csv"
    path.write_text(f"patient_key,note\n{key('00123')},=1+1\n")
    reveal(path)
    assert written(beside(exported))[0]["note"] == "'=1+1"


def test_a_key_that_nobody_has_stays_in_the_list_without_a_number(exported, listed, reveal, capsys):
    assert reveal(listed("0" * 32, key("00123"), "")) == 0
    assert [row["patient_id"] for row in written(beside(exported))] == ["", "00123", ""]
    assert "2 of them without one" in told(capsys)


def test_another_clinics_key_is_not_found_and_that_is_said(exported, listed, reveal, capsys):
    assert reveal(listed(key("00123", "birch"))) == 0
    assert "None has one: see that it is alder's list" in told(capsys)


def test_numbers_are_read_through_the_clinics_mapping(root, listed, reveal):
    (root / "mappings").mkdir()
    (root / "mappings" / "alder.toml").write_text(
        'delimiter = ";"\n[visits.columns]\nvisit_id = "No"\npatient_id = ["House", "Card"]\n'
        'visit_date = "On"\nvisit_reason = "Why"\n'
    )
    export(root, "2025-06", "visits.csv", "No;House;Card;On;Why\n1;7;1234;2025-06-02;course\n")
    reveal(listed(key("7-1234")))
    assert written(beside(root))[0]["patient_id"] == "7-1234"


def test_an_older_batch_and_any_kind_may_tell_a_number(exported, listed, reveal):
    export(exported, "2025-05", "patients.csv", f"{PATIENTS}LONG-GONE,moved\n")
    export(exported, "2025-07", "temperatures.csv", "session_id,eye,t_s,temp_c\nS1,right,0,41\n")
    reveal(listed(key("LONG-GONE")))
    assert written(beside(exported))[0]["patient_id"] == "LONG-GONE"


def test_a_refused_file_tells_nothing_and_stops_nothing(exported, listed, reveal):
    export(exported, "2025-07", "patients.csv", "patient_id,status,birth_date\nX-1,active,x\n")
    assert reveal(listed(key("X-1"), key("00123"))) == 0
    assert [row["patient_id"] for row in written(beside(exported))] == ["", "00123"]


def test_a_forgotten_patient_stays_unknown(exported, lidcohort, listed, reveal):
    lidcohort("forget", "--patient", "alder/CANARY-7")
    assert reveal(listed(key("CANARY-7"), key("00123"))) == 0
    assert [row["patient_id"] for row in written(beside(exported))] == ["", "00123"]


def test_whom_only_a_withdrawn_batch_names_stays_unknown(exported, lidcohort, listed, reveal):
    export(exported, "2025-07", "visits.csv", f"{VISITS}V9,IN-JULY,2025-07-02,course\n")
    lidcohort("withdraw", "--batch", "alder/2025-07")
    assert reveal(listed(key("IN-JULY"), key("00123"))) == 0
    assert [row["patient_id"] for row in written(beside(exported))] == ["", "00123"]
    lidcohort("withdraw", "--batch", "alder/2025-07", "--undo")
    reveal(listed(key("IN-JULY")), "--replace")
    assert written(beside(exported))[0]["patient_id"] == "IN-JULY"


@pytest.mark.parametrize("parted", [";", "\t"])
def test_a_list_that_a_spreadsheet_saved_keeps_its_delimiter(exported, listed, reveal, parted):
    header = f"Patient_Key{parted}status"
    assert reveal(listed(f" {key('00123').upper()}", header=header, parted=parted)) == 0
    [row] = written(beside(exported), parted)
    assert (row["patient_id"], row["status"]) == ("00123", "due")


def test_no_number_is_said_or_recorded(exported, listed, reveal, capsys):
    reveal(listed(key("CANARY-7"), key("=2+5")), "--json")
    reveal(listed(key("CANARY-7")))
    said = told(capsys)
    for path in exported.rglob("*"):
        if path.is_file() and "exports" not in path.parts:
            assert b"CANARY" not in path.read_bytes(), path
    assert "CANARY" not in said
    assert '"command": "reveal"' in (exported / "runs.jsonl").read_text()


def test_an_error_on_the_way_tells_no_number_either(exported, listed, reveal, capsys, monkeypatch):
    def stumble(*_):
        raise RuntimeError("CANARY-7 was in the way")

    monkeypatch.setattr("ingest.revealing.screened_blocks", stumble)
    assert reveal(listed(key("CANARY-7"))) == 1
    assert "CANARY" not in told(capsys) + (exported / "runs.jsonl").read_text()
    assert not beside(exported).exists()


def test_the_last_run_is_still_the_last_after_it(
    exported, lidcohort, stages, listed, reveal, capsys
):
    def fail():
        raise RuntimeError

    stages.before["build"] = fail
    lidcohort("run")
    reveal(listed(key("00123")))
    told(capsys)
    lidcohort("status")
    assert "Last run   failed, begun " in told(capsys)


def test_for_programs(exported, listed, reveal, capsys):
    assert reveal(listed(key("00123"), "0" * 32), "--json") == 0
    answer = json.loads(capsys.readouterr().out)
    del answer["stages"]
    assert answer == {
        "exit_status": 0,
        "outcome": "revealed",
        "file": str(beside(exported)),
        "rows": 2,
        "not_found": 1,
        "replaced": False,
        "warnings": [],
    }


def test_a_file_that_is_there_is_written_over_only_where_that_is_said(
    exported, listed, reveal, tmp_path, capsys
):
    out = tmp_path / "out.csv"
    out.write_text("as it was")
    assert reveal(listed(key("00123")), "--out", str(out)) == 2
    assert "out.csv is there already. Name another file with --out" in told(capsys)
    assert out.read_text() == "as it was"
    assert reveal(listed(key("00123")), "--out", str(out), "--replace") == 0
    assert f"Wrote over {out}" in told(capsys)
    assert written(out)[0]["patient_id"] == "00123"
    assert stat.S_IMODE(out.stat().st_mode) == 0o600


@pytest.mark.parametrize(
    "place", ["out.csv", "current/out.csv", "releases/out.csv", "link/out.csv", "link.csv"]
)
def test_nothing_is_written_into_the_workspace(exported, listed, reveal, tmp_path, capsys, place):
    for folder in ("releases", "releases/r"):
        (exported / folder).mkdir()
    (exported / "current").symlink_to("releases/r")
    (tmp_path / "link").symlink_to(exported / "releases")
    (tmp_path / "link.csv").symlink_to(exported / "releases" / "new.csv")
    out = (tmp_path if place.startswith("link") else exported) / place
    assert reveal(listed(key("00123")), "--out", str(out), "--replace") == 2
    assert "lies in the workspace, where others read." in told(capsys)
    assert not list(exported.glob("**/*.csv*"))[1:]  # the export alone


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "No such file or directory."),
        (b"", "is empty."),
        (b"\n\n", "is empty."),
        (b"patient_key,status\n", "lists nobody. There is nothing to turn back."),
        (b"patient,status\np,due\n", "has no column patient_key."),
        (b"patient_key,Patient_Key\na,b\n", "has more than one column patient_key."),
        (b"patient_key,patient_id\na,b\n", "has a column patient_id already."),
        (b"patient_key,status\na,due\nb\n", "Line 3 of"),
        (b"patient_key\n\xe4\n", "is no text in UTF-8."),
        (b'patient_key\n"a\n', "cannot be read as CSV."),
        (b"PK\x03\x04\xff", "is no text in UTF-8."),
    ],
)
def test_a_list_that_cannot_be_used_is_one_line(exported, reveal, tmp_path, capsys, content, said):
    path = tmp_path / "recall.csv"
    if content is not None:
        path.write_bytes(content)
    assert reveal(path) == 2
    output = told(capsys)
    assert said in output
    assert output.count("\n") == 1
    assert not beside(exported).exists()


def test_a_folder_is_no_list_and_no_place_for_one(exported, listed, reveal, tmp_path, capsys):
    assert reveal(tmp_path) == 2
    assert "Is a directory. Name a CSV file" in told(capsys)
    assert reveal(listed(key("00123")), "--out", str(tmp_path)) == 2
    assert "is a folder. Name a file with --out." in told(capsys)
    assert reveal(listed(key("00123")), "--out", str(tmp_path / "none" / "x.csv")) == 2
    assert "none is no folder. Make it" in told(capsys)


def test_a_site_that_is_none_is_refused(exported, listed, reveal, capsys):
    assert reveal(listed(key("00123")), site="aldr") == 2
    assert "--site aldr is no site of group.toml; did you mean 'alder'?" in told(capsys)


def test_without_the_groups_key_nothing_is_turned_back(exported, listed, reveal, capsys):
    key_file(exported).unlink()
    assert reveal(listed(key("00123"))) == 2
    assert "The group's key is neither in" in told(capsys)


def test_another_key_than_the_releases_is_refused(
    exported, lidcohort, stages, listed, reveal, capsys
):
    lidcohort("run")
    key_file(exported).write_text("another key of enough length\n")
    told(capsys)
    assert reveal(listed(key("00123"))) == 2
    assert "is not the one that" in told(capsys)
    assert not beside(exported).exists()


def test_while_another_run_holds_the_workspace_nothing_is_done(exported, listed, reveal):
    with hold(lock_file(exported)):
        assert reveal(listed(key("00123"))) == 4
    assert not beside(exported).exists()


def test_a_full_disk_leaves_no_half_file(exported, listed, reveal, monkeypatch, capsys):
    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipeline.files.os.fsync", full)
    assert reveal(listed(key("00123"))) == 1
    assert "The disk is full." in told(capsys)
    assert not [path for path in exported.parent.iterdir() if "recall" in path.name][1:]


def test_what_it_needs_is_said(capsys):
    assert carry_out(["reveal", "list.csv"]) == 2
    assert "--site" in told(capsys)


def test_the_key_of_the_tests_is_the_workspaces(root):
    assert Workspace.open(root).key == SECRET
