"""One published release for the tests that look at pages and shared tables."""

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

from dashboards import publish
from pipeline.workspace import Release


def _load(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def invented() -> ModuleType:
    """The module that makes invented releases."""
    return _load("invented_release")


@pytest.fixture(scope="session")
def release(invented: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Release:
    made: Release = invented.make_release(tmp_path_factory.mktemp("group") / "release")
    publish(made)
    return made


@pytest.fixture(scope="session")
def pages(release: Release) -> dict[str, str]:
    """Every page's text by its path within the dashboards."""
    root = release.dashboards
    return {
        path.relative_to(root).as_posix(): path.read_text(encoding="utf-8")
        for path in sorted(root.rglob("*.html"))
    }
