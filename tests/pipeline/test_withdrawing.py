"""`lidcohort withdraw`: what it puts down, what it refuses, and what it leaves alone."""

import json

import pytest

from ingest.withdrawn import read_withdrawn
from pipeline import withdrawing
from pipeline.lock import hold
from pipeline.workspace import Workspace, lock_file

SESSIONS = (
    "session_id,patient_id,session_date,eye,purpose,protocol,adverse_event\n"
    "S1,CANARY-7,2025-06-03,right,course,four,burn\n"
    "S1,CANARY-7,2025-06-03,left,course,four,none\n"
)


@pytest.fixture
def exported(root):
    """Two batches of alder's, the first with a harm."""
    for batch in ("2025-06", "2025-07"):
        folder = root / "exports" / "alder" / batch
        folder.mkdir(parents=True)
        (folder / "sessions.csv").write_text(SESSIONS.replace("burn", "none"))
    (root / "exports" / "alder" / "2025-06" / "sessions.csv").write_text(SESSIONS)
    return root


def withdrawn(root):
    return [one.place for one in read_withdrawn(Workspace.open(root))]


def told(capsys):
    output = capsys.readouterr()
    return output.out + output.err


def test_a_batch_is_put_on_the_list_with_its_harms(exported, lidcohort, capsys):
    assert lidcohort("withdraw", "--batch", "alder/2025-06") == 0
    [withdrawal] = read_withdrawn(Workspace.open(exported))
    assert withdrawal.place == ("alder", "2025-06")
    assert (withdrawal.first_day, withdrawal.last_day) == ("2025-06-01", "2025-06-30")
    assert [harm["event"] for harm in withdrawal.harms] == ["burn"]
    said = told(capsys)
    assert "alder/2025-06 was withdrawn on" in said
    assert "The harms it told of (1) stay listed as withdrawn" in said
    assert "Next: `lidcohort run" in said


def test_the_exports_stay_as_they_are(exported, lidcohort):
    lidcohort("withdraw", "--batch", "alder/2025-06")
    assert (exported / "exports" / "alder" / "2025-06" / "sessions.csv").read_text() == SESSIONS


def test_again_it_is_nothing_new_and_undone_it_counts_again(exported, lidcohort, capsys):
    lidcohort("withdraw", "--batch", "alder/2025-06")
    before = (exported / "withdrawn.json").read_bytes()
    assert lidcohort("withdraw", "--batch", "alder/2025-06") == 0
    assert (exported / "withdrawn.json").read_bytes() == before
    assert lidcohort("withdraw", "--batch", "alder/2025-07", "--json") == 0
    assert withdrawn(exported) == [("alder", "2025-06"), ("alder", "2025-07")]
    assert lidcohort("withdraw", "--batch", "alder/2025-06", "--undo") == 0
    assert withdrawn(exported) == [("alder", "2025-07")]
    assert "counts again from the next release on" in told(capsys)


@pytest.mark.parametrize(
    ("batch", "said"),
    [
        ("aldr/2025-06", "names no site of group.toml; did you mean 'alder'?"),
        ("2025-06", "names no site of group.toml"),
        ("alder/June", "--batch alder/June names no batch. Write it SITE/BATCH"),
        ("alder/2025-08", "holds no export. Name a batch that does; up to that day there are 2025"),
    ],
)
def test_what_names_no_batch_is_refused(exported, lidcohort, capsys, batch, said):
    assert lidcohort("withdraw", "--batch", batch) == 2
    assert said in told(capsys)
    assert withdrawn(exported) == []


def test_only_what_was_withdrawn_is_taken_back(exported, lidcohort, capsys):
    assert lidcohort("withdraw", "--batch", "alder/2025-06", "--undo") == 2
    assert "alder/2025-06 was not withdrawn. Withdrawn are none." in told(capsys)


def test_a_batch_after_the_as_of_date_can_be_withdrawn(exported, lidcohort):
    settings = exported / "group.toml"
    settings.write_text("[group]\nas_of = 2025-06-30\n" + settings.read_text())
    assert lidcohort("withdraw", "--batch", "alder/2025-07") == 0
    assert withdrawn(exported) == [("alder", "2025-07")]


def test_while_another_run_holds_the_workspace_nothing_is_done(exported, lidcohort):
    with hold(lock_file(exported)):
        assert lidcohort("withdraw", "--batch", "alder/2025-06") == 4
    assert withdrawn(exported) == []


@pytest.mark.parametrize("step", ["harms_of_batch", "write_withdrawn"])
def test_whatever_breaks_the_list_is_as_before(exported, lidcohort, monkeypatch, step):
    lidcohort("withdraw", "--batch", "alder/2025-07")
    with monkeypatch.context() as broken:
        broken.setattr(withdrawing, step, lambda *_: (_ for _ in ()).throw(OSError(28, "full")))
        assert lidcohort("withdraw", "--batch", "alder/2025-06") == 1
    assert withdrawn(exported) == [("alder", "2025-07")]
    assert lidcohort("withdraw", "--batch", "alder/2025-06") == 0
    assert len(withdrawn(exported)) == 2


def test_no_number_of_a_patients_is_said_or_kept(exported, lidcohort, capsys):
    lidcohort("withdraw", "--batch", "alder/2025-06")
    assert "CANARY" not in told(capsys)
    for name in ("withdrawn.json", "runs.jsonl"):
        assert "CANARY" not in (exported / name).read_text()
    [record] = map(json.loads, (exported / "runs.jsonl").read_text().splitlines())
    assert (record["command"], record["outcome"]) == ("withdraw", "withdrawn")
