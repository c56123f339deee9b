"""An empty workspace of an invented group, for a test to fill."""

from collections.abc import Callable
from datetime import date

import pytest

from ingest import gathering, reading
from pipeline.workspace import Workspace
from tests.ingest.invented import SECRET, Exports, settings


@pytest.fixture
def make_exports(tmp_path) -> Callable[..., Exports]:
    """Make an empty workspace; as_of is the newest batch's last day unless given."""

    def make(as_of: date | None = None, secret: bytes = SECRET, name: str = "group") -> Exports:
        return Exports(Workspace(tmp_path / name, settings(as_of), secret))

    return make


@pytest.fixture
def exports(make_exports) -> Exports:
    return make_exports()


@pytest.fixture
def small_memory(monkeypatch):
    """All but the smallest units are kept on the disk, in small parts."""
    monkeypatch.setattr(reading, "WHOLE_BYTES", 4096)
    monkeypatch.setattr(reading, "BLOCK_BYTES", 2048)
    monkeypatch.setattr(gathering, "WHOLE_BYTES", 4096)
    monkeypatch.setattr(gathering, "IN_MEMORY_BYTES", 4096)
    monkeypatch.setattr(gathering, "PART_ROWS", 50)
