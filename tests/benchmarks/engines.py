"""The build's growth on both engines: one group at 1, 2 and 4 times its patients."""

import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from ingest import ingest
from models.build import build
from pipeline import inputs, release
from pipeline.files import private_folder
from pipeline.settings import ENGINES
from pipeline.workspace import Release, Workspace, key_file
from synthetic_data import make_exports

TIMES = (1, 2, 4)


@dataclass(frozen=True)
class Built:
    """How long each engine took over the inputs of so many patients; seconds of wall time."""

    patients: int
    seconds: dict[str, float]


def engine_times(root: Path, patients: int) -> Iterator[Built]:
    """Build the same inputs on each engine, one size after another."""
    for times in TIMES:
        made = with_inputs(root / str(times), patients * times)
        yield Built(patients * times, {engine: seconds_on(made, engine) for engine in ENGINES})


def with_inputs(root: Path, patients: int) -> Release:
    """A release of an invented group that has got as far as its inputs."""
    make_exports(root, patients=patients)
    private_folder(root)
    key_file(root).write_text("a key for invented patients only")
    key_file(root).chmod(0o600)
    workspace = Workspace.open(root)
    for folder in (workspace.accepted, workspace.quarantine, workspace.releases):
        private_folder(folder)
    report = ingest(workspace)
    candidate = release.candidate(workspace, report)
    private_folder(candidate.release.root)
    inputs.assemble(candidate.release, report, candidate.published)
    return candidate.release


def seconds_on(made: Release, engine: str) -> float:
    chosen = made.settings.engine.model_copy(update={"name": engine})
    began = time.monotonic()
    build(replace(made, settings=made.settings.model_copy(update={"engine": chosen})))
    return time.monotonic() - began
