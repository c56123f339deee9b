"""`lidcohort rekey`: all keys are new, nothing is lost, wherever it breaks off.

Exports are read in earnest; what comes after that is a stand-in.
"""

import json
import stat
from pathlib import Path

import polars as pl
import pytest

from expectations import Gate, Severity
from ingest import ingest
from ingest.forgotten import read_forgotten
from ingest.keys import Rekeying, fingerprint
from ingest.withdrawn import read_withdrawn
from pipeline import rekeying
from pipeline import release as releases
from pipeline import run as flow
from pipeline.workspace import Workspace, key_file

OLD = "an invented key of enough length"
VISITS = "visit_id,patient_id,visit_date,visit_reason\n"
SESSIONS = "session_id,patient_id,session_date,eye,purpose,protocol,adverse_event\n"


class Killed(BaseException):
    """As sudden as a test can be."""


@pytest.fixture
def exported(root, stages, monkeypatch):
    """A clinic's two batches, the first with harms, one of them in a row without a session id."""
    monkeypatch.setattr(flow, "ingest", ingest)
    first, second = (root / "exports" / "alder" / name for name in ("2025-05", "2025-06"))
    for folder in (first, second):
        folder.mkdir(parents=True)
    (first / "visits.csv").write_text(f"{VISITS}V1,P1,2025-05-02,course\n")
    (first / "sessions.csv").write_text(
        f"{SESSIONS}S1,P1,2025-05-03,right,course,four,burn\n"
        ",P1,2025-05-04,right,course,four,blister\n"
    )
    (second / "visits.csv").write_text(
        f"{VISITS}V3,P3,2025-06-02,course\nV4,GONE,2025-06-02,course\n"
    )
    return root


def key(secret: str, own_id: str, entity: str = "patient") -> str:
    return Rekeying(secret.encode()).keys(pl.Series([own_id]), "alder", entity)[0]


def secrets_of(root: Path) -> list[str]:
    return key_file(root).read_text().splitlines()


def patients_kept(root: Path) -> set[str]:
    """Patients' keys in all that the workspace keeps of checked rows."""
    return {
        kept
        for path in root.rglob("*.parquet")
        if path.parent.name != "tables"
        for rows in [pl.read_parquet(path)]
        if "patient_key" in rows.columns
        for kept in rows["patient_key"].drop_nulls()
    }


def everything_kept(root: Path) -> bytes:
    return b"".join(path.read_bytes() for path in root.rglob("*.json*"))


def settle(root: Path, harm: str) -> None:
    text = (root / "group.toml").read_text()
    (root / "group.toml").write_text(
        f'# as the group wrote it\n{text}[[settled_harm]]\nsite = "alder"\nharm = "{harm}"\n'
        'decision = "seen"\ndecided_on = 2025-07-01\n'
    )


def test_every_key_is_new_and_what_had_the_old_one_is_gone(exported, lidcohort, current, capsys):
    lidcohort("run")
    before = current()
    assert patients_kept(exported) == {key(OLD, "P1"), key(OLD, "P3"), key(OLD, "GONE")}

    assert lidcohort("rekey") == 0

    [new] = secrets_of(exported)
    assert new != OLD
    assert patients_kept(exported) == {key(new, "P1"), key(new, "P3"), key(new, "GONE")}
    assert current() not in (None, before)
    assert [path.name for path in (exported / "releases").iterdir()] == [current()]
    manifest = json.loads((exported / "current" / "manifest.json").read_text())
    assert manifest["key_fingerprint"] == fingerprint(new.encode())
    assert "The group has a new key" in capsys.readouterr().out
    assert lidcohort("run") == 0
    assert new.encode() not in everything_kept(exported)


def test_the_new_key_is_its_owners_alone(exported, lidcohort):
    lidcohort("run")
    lidcohort("rekey")
    assert stat.S_IMODE(key_file(exported).stat().st_mode) == 0o600


@pytest.mark.parametrize(
    ("entity", "own_id", "eye"),
    [("session", "S1", "-r"), ("row", "2025-05/sessions/sessions.csv/3", "")],
)
def test_a_settled_harm_stays_settled(exported, lidcohort, entity, own_id, eye):
    settle(exported, key(OLD, own_id, entity)[:16] + eye)
    lidcohort("run")
    lidcohort("rekey")
    [new] = secrets_of(exported)
    [settled] = Workspace.open(exported).settings.settled_harm
    assert settled.harm == key(new, own_id, entity)[:16] + eye
    assert (exported / "group.toml").read_text().startswith("# as the group wrote it\n")
    harms = pl.read_parquet(exported / "current/inputs/settings/settled_harms.parquet")
    assert harms["harm"].to_list() == [settled.harm]


def test_a_withdrawn_batchs_harms_stay_listed(exported, lidcohort):
    lidcohort("withdraw", "--batch", "alder/2025-05")
    lidcohort("run")
    lidcohort("rekey")
    [new] = secrets_of(exported)
    [withdrawal] = read_withdrawn(Workspace.open(exported))
    assert {harm["harm_key"] for harm in withdrawal.harms} == {
        key(new, "S1", "session")[:16] + "-r",
        key(new, "2025-05/sessions/sessions.csv/3", "row")[:16],
    }
    assert {harm["patient_key"] for harm in withdrawal.harms} == {key(new, "P1")}


def test_a_forgotten_patient_stays_forgotten_while_the_exports_name_them(exported, lidcohort):
    lidcohort("run")
    lidcohort("forget", "--patient", "alder/GONE")
    lidcohort("rekey")
    [new] = secrets_of(exported)
    assert read_forgotten(Workspace.open(exported)).of("alder") == {key(new, "GONE")}
    assert patients_kept(exported) == {key(new, "P1"), key(new, "P3")}


def test_a_forgotten_patient_whom_no_export_names_is_known_when_they_come_again(
    exported, lidcohort, capsys
):
    lidcohort("run")
    lidcohort("forget", "--patient", "alder/GONE")
    visits = exported / "exports" / "alder" / "2025-06" / "visits.csv"
    visits.write_text(f"{VISITS}V3,P3,2025-06-02,course\n")
    lidcohort("run")
    lidcohort("rekey")
    new, former = secrets_of(exported)
    assert former == OLD
    assert "No export tells the ids of 1 keys" in capsys.readouterr().out
    assert read_forgotten(Workspace.open(exported)).of("alder") == {key(OLD, "GONE")}

    visits.write_text(f"{VISITS}V3,P3,2025-06-02,course\nV9,GONE,2025-06-09,course\n")
    assert lidcohort("run") == 0
    assert patients_kept(exported) == {key(new, "P1"), key(new, "P3")}
    assert read_forgotten(Workspace.open(exported)).of("alder") == {key(new, "GONE")}
    assert secrets_of(exported) == [new]


def test_the_run_record_names_harms_by_their_new_keys(exported, lidcohort, stages):
    harm = key(OLD, "S1", "session")[:16]
    stages.fail(Gate.ARRIVAL, Severity.STOP, offending=(f"alder/{harm}-r",))
    lidcohort("run")
    stages.failing.clear()
    lidcohort("run")
    assert harm in (exported / "runs.jsonl").read_text()
    lidcohort("rekey")
    record = (exported / "runs.jsonl").read_text()
    assert harm not in record
    assert f"alder/{key(secrets_of(exported)[0], 'S1', 'session')[:16]}-r" in record


def test_a_gate_that_refuses_leaves_what_people_read_and_the_next_run_goes_on(
    exported, lidcohort, current, stages
):
    lidcohort("run")
    before = current()
    stages.fail(Gate.BUILT, Severity.STOP)
    assert lidcohort("rekey") == 3
    assert current() == before
    new, former = secrets_of(exported)
    assert former == OLD
    assert lidcohort("forget", "--patient", "alder/P1") == 2

    stages.failing.clear()
    assert lidcohort("rekey") == 0
    assert secrets_of(exported) == [new]
    assert current() != before


def test_a_key_of_the_environment_is_not_changed_from_here(
    exported, lidcohort, monkeypatch, capsys
):
    monkeypatch.setenv("LIDCOHORT_KEY", OLD)
    assert lidcohort("rekey") == 2
    assert "LIDCOHORT_KEY" in capsys.readouterr().err
    assert secrets_of(exported) == [OLD]

    lidcohort("run")
    monkeypatch.setenv("LIDCOHORT_KEY", f"another invented key\n{OLD}")
    assert lidcohort("run") == 0
    assert patients_kept(exported) == {
        key("another invented key", name) for name in ("P1", "P3", "GONE")
    }


def die(*_, **__):
    raise Killed


@pytest.mark.parametrize("then", ["rekey", "run"])
@pytest.mark.parametrize(
    "step",
    [
        *((rekeying, name) for name in ("_write_keys", "translation", "write_whole", "_left")),
        *((releases, name) for name in ("candidate", "finish", "switch", "prune", "remove")),
        *((flow, name) for name in ("ingest", "check", "build", "publish", "retire")),
    ],
    ids=lambda step: step[1],
)
def test_wherever_it_breaks_off_the_same_command_or_the_next_run_ends_it(
    exported, lidcohort, current, monkeypatch, step, then
):
    settle(exported, key(OLD, "S1", "session")[:16] + "-r")
    lidcohort("run")
    lidcohort("forget", "--patient", "alder/GONE")
    before = current()
    with monkeypatch.context() as broken:
        broken.setattr(*step, die)
        assert lidcohort("rekey") == 1
    assert current() is not None

    was_begun = secrets_of(exported)[0] != OLD
    assert lidcohort(then) == 0

    [now] = secrets_of(exported)
    if then == "rekey" or was_begun:
        assert now != OLD
        assert current() != before
    workspace = Workspace.open(exported)
    assert patients_kept(exported) == {key(now, "P1"), key(now, "P3")}
    assert read_forgotten(workspace).of("alder") == {key(now, "GONE")}
    assert workspace.settings.settled_harm[0].harm == key(now, "S1", "session")[:16] + "-r"
