"""Runs ended from outside, at any stage, in a process of their own: `current` is as before."""

import json
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.cli import carry_out
from pipeline.workspace import key_file
from synthetic_data import make_exports

SAYS_HOW_FAR_IT_IS = """
import sys
from pipeline.cli import main
from pipeline.voice import Stage
Stage.progress = lambda stage, done, total: print(f"{stage.name}: {done}", flush=True)
main()
"""
STAGES = ("ingest", "arrival gate", "build", "built gate", "publish")

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def published(tmp_path_factory):
    """A small invented group with a release, to be copied."""
    root = tmp_path_factory.mktemp("endings") / "published"
    make_exports(root, patients=60, months=6)
    key_file(root).write_text("an invented key of enough length\n")
    key_file(root).chmod(0o600)
    assert carry_out(["run", "--workspace", str(root), "--quiet"]) == 0
    return root


@pytest.fixture
def group(published, tmp_path):
    """A copy whose settings have changed, so that the next run makes another release."""
    root = tmp_path / "group"
    shutil.copytree(published, root, symlinks=True)
    shutil.copy(key_file(published), key_file(root))
    settings = root / "group.toml"
    settings.write_text(settings.read_text().replace("baseline_days = 90", "baseline_days = 89"))
    return root


def end(root, stage, number, *more):
    """Start a run, and send it a signal as soon as it has begun a stage's work."""
    script = root.with_name("run.py")  # a file: Pyspark takes `python -c` for a test of its own
    script.write_text(SAYS_HOW_FAR_IT_IS)
    command = [sys.executable, str(script), "run", "--workspace", str(root), *more]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as run:
        for line in run.stdout:
            if line.startswith(f"{stage}: "):
                run.send_signal(number)
                break
        else:
            pytest.fail(f"the stage {stage} never began: {run.stderr.read()}")
        _, told = run.communicate(timeout=120)
    return run.returncode, told


@pytest.mark.parametrize("stage", STAGES)
def test_ctrl_c_leaves_current_and_says_one_line(group, stage):
    before = (group / "current").resolve()
    status, told = end(group, stage, signal.SIGINT)

    assert status == 1, told
    [line] = [line for line in told.splitlines() if not line.startswith("Warning: ")]
    assert line == (
        f"Error: Interrupted. Run the same command again to go on. People still read {before.name}."
    )
    assert (group / "current").resolve() == before
    assert [path.name for path in (group / "releases").iterdir()] == [before.name]


@pytest.mark.spark
def test_ctrl_c_ends_spark_too(group):
    before = (group / "current").resolve()
    status, told = end(group, "build", signal.SIGINT, "--engine", "spark")

    assert (status, "Error: Interrupted." in told, "Traceback" in told) == (1, True, False)
    assert (group / "current").resolve() == before
    assert [path.name for path in (group / "releases").iterdir()] == [before.name]
    assert not [path for path in Path("/proc").glob("[0-9]*/cmdline") if is_of(group, path)]


def is_of(root, process):
    try:
        return str(root).encode() in process.read_bytes()
    except OSError:  # it ended in between
        return False


def test_a_polite_request_to_end_is_heeded(group):
    before = (group / "current").resolve()
    status, told = end(group, "build", signal.SIGTERM)
    assert (status, "Error: Interrupted." in told) == (1, True)
    assert (group / "current").resolve() == before


@pytest.mark.parametrize("stage", ["ingest", "build", "publish"])
def test_a_killed_run_leaves_current_and_the_next_one_succeeds(group, stage):
    before = (group / "current").resolve()
    status, _ = end(group, stage, signal.SIGKILL)
    assert status == -signal.SIGKILL
    assert (group / "current").resolve() == before

    assert carry_out(["run", "--workspace", str(group), "--quiet"]) == 0
    after = (group / "current").resolve()
    assert after != before
    assert json.loads((after / "manifest.json").read_text())["release"] == after.name
    assert {path.name for path in (group / "releases").iterdir()} == {before.name, after.name}
