"""The invented group's release, built once for all tests that read it."""

import fcntl
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


def pytest_configure() -> None:
    """Let no worker of pytest-xdist pass for one of Pyspark's doctests, which it would end.

    It knows them by a main module without a file; Great Expectations imports it where it is there.
    """
    vars(sys.modules["__main__"]).setdefault("__file__", __file__)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out, and count as deselected, what needs an extra that nobody asked for.

    Who installs the extra has its tests fail where Java is lacking.
    """
    if not spark.is_installed():
        left_out = [item for item in items if item.get_closest_marker("spark")]
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]


def pytest_report_header() -> str:
    return "" if spark.is_installed() else "extra spark: not installed, its tests are left out"


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
