"""The invented group's release, built once for all tests that read it."""

import fcntl
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import duckdb
import pytest

from models import spark
from pipeline.beginnings import DEMO_KEY
from pipeline.cli import carry_out
from pipeline.settings import read_settings
from pipeline.workspace import Release, Workspace

DEMO_PATIENTS = 300


def _prints_as_reviewed() -> bool:
    """Whether Chromium is here, and the fonts that the reviewed pictures were taken with."""
    if not (shutil.which("chromium") and shutil.which("fc-match")):
        return False
    found = subprocess.run(["fc-match", "Liberation Sans"], capture_output=True, text=True)
    return "Liberation Sans" in found.stdout


NEEDS = {  # by marker, what its tests need beyond README's command, and whether it is here
    "spark": ("the extra `spark`", spark.is_installed),
    "browser": (
        "Chromium with the fonts Liberation (chromium, fontconfig, fonts-liberation)",
        _prints_as_reviewed,
    ),
}


def pytest_configure() -> None:
    """Let no worker of pytest-xdist pass for one of Pyspark's doctests, which it would end.

    It knows them by a main module without a file; Great Expectations imports it where it is there.
    """
    vars(sys.modules["__main__"]).setdefault("__file__", __file__)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--whole", action="store_true", help="leave out no test: what the machine lacks fails it"
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out, and count as deselected, what needs something that README does not ask for."""
    lacking = _lacking(config)
    left_out = [item for item in items if any(map(item.get_closest_marker, lacking))]
    config.hook.pytest_deselected(items=left_out)
    items[:] = [item for item in items if item not in left_out]


def pytest_report_header(config: pytest.Config) -> list[str]:
    lacking = _lacking(config)
    return [f"not here, so its tests are left out: {NEEDS[marker][0]}" for marker in lacking]


def _lacking(config: pytest.Config) -> list[str]:
    """The markers of NEEDS whose need this machine does not meet; none where all are to run.

    Who installs Spark's extra has its tests fail where Java is lacking.
    """
    if config.getoption("whole"):
        return []
    return [marker for marker, (_, is_here) in NEEDS.items() if not is_here()]


@pytest.fixture(scope="session")
def demo_workspace(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Workspace:
    """`lidcohort demo` of 300 invented patients, shared by all workers: for reading only."""
    base = tmp_path_factory.getbasetemp()
    shared = base if worker_id == "master" else base.parent
    root = shared / "demo"
    with _one_at_a_time(shared / "demo.building"):
        if not (root / "current").is_symlink():
            made = carry_out(["demo", str(root), "--patients", str(DEMO_PATIENTS), "--quiet"])
            assert made == 0, "the demo could not be made"
    return Workspace(root, read_settings(root / "group.toml"), DEMO_KEY.encode())


@pytest.fixture(scope="session")
def demo_release(demo_workspace: Workspace) -> Release:
    """The demo's current release: for reading only."""
    root = demo_workspace.current.resolve()
    return Release(root, demo_workspace.settings, date.fromisoformat(root.name[:10]))


@pytest.fixture
def demo_warehouse(demo_release: Release) -> Iterator[duckdb.DuckDBPyConnection]:
    """A read-only connection to the demo's warehouse."""
    with duckdb.connect(str(demo_release.warehouse), read_only=True) as connection:
        yield connection


@contextmanager
def _one_at_a_time(path: Path) -> Iterator[None]:
    """Waits, unlike a run's own lock, which refuses."""
    with path.open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield
