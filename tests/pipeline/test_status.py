"""`status`: what people read, what is waiting, what failed last."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from expectations import Gate, Severity
from ingest.batches import find_exports
from ingest.store import mapping_bytes, run_digest, unit_digest
from pipeline.workspace import Workspace

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
    assert lines[1] == "Waiting    alder/2025-06/visits: `lidcohort run` takes them in"
    assert lines[2].startswith("Last run   failed ")


def test_a_long_list_is_cut(root, lidcohort, visits, capsys):
    for month in range(1, 13):
        batch = visits.parents[1] / f"2024-{month:02}"
        batch.mkdir()
        (batch / "visits.csv").write_text(VISITS.replace("2025-06-02", "2024-01-01"))
    lidcohort("status")
    assert "alder/2024-10/visits and 3 more: " in capsys.readouterr().out
