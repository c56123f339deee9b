"""`status`: what people read, what is waiting, what failed last."""

import json
import os
import signal
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import pytest

from expectations import Gate, Severity
from ingest.batches import find_exports
from ingest.forgotten import Forgotten, write_forgotten
from ingest.store import mapping_bytes, run_digest, unit_digest
from pipeline.lock import hold
from pipeline.workspace import Workspace, key_file
from tests.pipeline.test_defining import COHORT

VISITS = "visit_id,patient_id,visit_date,visit_reason\nv1,p1,2025-06-02,assessment\n"


@pytest.fixture
def told(lidcohort, capsys):
    """What `lidcohort status --json` says."""

    def status():
        capsys.readouterr()
        assert lidcohort("status", "--json") == 0
        return json.loads(capsys.readouterr().out)

    return status


@pytest.fixture
def visits(root):
    path = root / "exports" / "alder" / "2025-06" / "visits.csv"
    path.parent.mkdir(parents=True)
    path.write_text(VISITS)
    return path


def digest(root):
    workspace = Workspace.open(root)
    [export] = find_exports(workspace).exports
    return unit_digest(export, run_digest(workspace), mapping_bytes(workspace, "alder"))


def test_a_new_workspace_has_published_nothing_and_waits_for_exports(told):
    status = told()
    assert (status["current"], status["last_failure"]) == (None, None)
    assert status["exports_fault"].startswith("There is no export in ")


def test_an_export_waits_until_a_release_holds_its_bytes(root, stages, lidcohort, told, visits):
    assert told()["waiting"] == ["alder/2025-06/visits"]
    stages.digest = digest(root)
    lidcohort("run")
    assert told()["waiting"] == []
    visits.write_text(VISITS + "v2,p2,2025-06-03,assessment\n")
    assert told()["waiting"] == ["alder/2025-06/visits"]


def test_the_current_releases_age_is_in_days(root, stages, lidcohort, told, visits):
    lidcohort("run")
    manifest = root / "current" / "manifest.json"
    content = json.loads(manifest.read_text())
    finished = datetime.now(UTC) - timedelta(days=3, hours=1)
    manifest.write_text(json.dumps(content | {"finished_at": finished.isoformat()}))

    current = told()["current"]
    assert (current["age_days"], current["as_of"]) == (3, "2025-06-30")
    assert current["release"] == content["release"]


def test_the_last_failure_is_told_with_its_next_step(stages, lidcohort, told, visits, capsys):
    stages.fail(Gate.ARRIVAL, Severity.STOP)
    lidcohort("run")
    failure = told()["last_failure"]
    assert failure["stage"] == "arrival gate"
    assert failure["what"].startswith("The arrival gate refused the data")

    lidcohort("status")
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "Current    nothing has been published yet"
    assert lines[1] == (
        "Waiting    alder/2025-06/visits: once what the last run found is mended, "
        "`lidcohort run` takes them in"
    )
    assert lines[2].startswith("Last run   refused, begun ")
    assert lines[4] == "             alder"


def test_an_interrupted_run_is_told_and_what_waits_is_simply_waiting(
    stages, lidcohort, visits, capsys
):
    stages.before["build"] = press_ctrl_c
    assert lidcohort("run") == 1
    lidcohort("status")
    lines = capsys.readouterr().out.splitlines()
    assert lines[-2] == "Waiting    alder/2025-06/visits: `lidcohort run` takes them in"
    assert lines[-1].startswith("Last run   interrupted, begun ")


def press_ctrl_c():
    os.kill(os.getpid(), signal.SIGINT)


KILLED = "import os, signal, sys; from pathlib import Path; from pipeline.lock import hold\n" + (
    "with hold(Path(sys.argv[1])): os.kill(os.getpid(), signal.SIGKILL)"
)


def test_a_killed_run_is_told_until_another_ends(root, stages, lidcohort, told, visits):
    killed = subprocess.run([sys.executable, "-c", KILLED, str(root / ".lock")])
    assert killed.returncode == -signal.SIGKILL
    status = told()
    assert (status["running"], status["last_failure"]["outcome"]) == (None, "killed")

    lidcohort("run")
    assert told()["last_failure"] is None


def test_who_holds_the_workspace_is_told(root, lidcohort, told, visits, capsys):
    with hold(root / ".lock"):
        status = told()
        assert (status["running"]["pid"], status["last_failure"]) == (os.getpid(), None)
        lidcohort("status")
        assert f"Running    process {os.getpid()} on " in capsys.readouterr().out
    assert told()["running"] is None


def test_another_key_is_told(root, stages, lidcohort, told, visits):
    lidcohort("run")
    key_file(root).write_text("another invented key of enough length")
    assert "is not the one that" in told()["exports_fault"]


@pytest.mark.parametrize("name", ["alder", "aldor"])
def test_a_mapping_that_cannot_be_used_is_told(root, told, visits, name):
    (root / "mappings").mkdir()
    (root / "mappings" / f"{name}.toml").write_text("decimals = 1\n")
    assert f"{name}.toml" in told()["exports_fault"]
    (root / "mappings" / f"{name}.toml").unlink()
    assert told()["exports_fault"] is None


def test_a_definition_is_told_of_until_a_release_has_it_as_it_is(
    root, stages, lidcohort, told, visits, capsys
):
    path = root / "definitions" / "at_alder.toml"
    path.parent.mkdir()
    path.write_text(COHORT)
    assert told()["definitions"] == {"at_alder": "built by the next run"}
    lidcohort("status")
    assert "Defined    at_alder (built by the next run)" in capsys.readouterr().out
    lidcohort("run")
    assert told()["definitions"] == {}
    lidcohort("status")
    assert "Defined" not in capsys.readouterr().out
    path.write_text(COHORT.replace("At alder", "Alder alone"))
    assert told()["definitions"] == {"at_alder": "changed, built anew by the next run"}
    path.unlink()
    assert told()["definitions"] == {"at_alder": "taken away, gone with the next run"}


def test_a_definition_that_cannot_be_used_is_told(root, told, visits, lidcohort, capsys):
    (root / "definitions").mkdir()
    (root / "definitions" / "odd.toml").write_text("kind = 1\n")
    status = told()
    assert status["definitions"] == {}
    assert "odd.toml" in status["definitions_fault"]
    lidcohort("status")
    assert "Defined    " in capsys.readouterr().out


def test_a_long_list_is_cut(root, lidcohort, visits, capsys):
    for month in range(1, 13):
        batch = visits.parents[1] / f"2024-{month:02}"
        batch.mkdir()
        (batch / "visits.csv").write_text(VISITS.replace("2025-06-02", "2024-01-01"))
    lidcohort("status")
    assert "alder/2024-10/visits and 3 more: " in capsys.readouterr().out


def test_withdrawn_batches_and_a_cut_short_erasing_are_told(root, lidcohort, told, visits, capsys):
    assert (told()["withdrawn"], told()["erasing_unfinished"]) == ([], False)
    lidcohort("withdraw", "--batch", "alder/2025-06")
    write_forgotten(Workspace.open(root), Forgotten().with_more("alder", frozenset({"0" * 32})))
    assert (told()["withdrawn"], told()["erasing_unfinished"]) == (["alder/2025-06"], True)
    lidcohort("status")
    lines = capsys.readouterr().out.splitlines()
    assert "Withdrawn  alder/2025-06" in lines
    assert "Erasing    of a patient was cut short; `lidcohort run` finishes it" in lines
