"""The courses and cohorts on both engines: one group at 1, 2 and 4 times its patients.

`python -m tests.benchmarks.engines WORKSPACE ENGINE` works them out once from a workspace's newest
inputs, and prints what that took, Java's part included.
"""

import json
import resource
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from ingest import ingest
from models.build import COURSES_AND_COHORTS, run_dbt, worked_out_on_spark
from pipeline import inputs, release
from pipeline.files import private_folder
from pipeline.settings import ENGINES
from pipeline.workspace import Release, Workspace
from tests.benchmarks.measured import run_measured
from tests.benchmarks.sizes import Size, make_group

TIMES = (1, 2, 4)


@dataclass(frozen=True)
class WorkedOut:
    """What one engine took for so many patients; peak memory is of its largest process."""

    patients: int
    engine: str
    seconds: float
    processor_seconds: float
    peak_mib: float


def engine_times(root: Path, patients: int) -> Iterator[WorkedOut]:
    """Work the same inputs out on each engine, one size after another, each in a process."""
    for times in TIMES:
        size = Size(f"{times} times", patients * times)
        workspace = root / str(times)
        put_inputs(workspace, size)
        for engine in ENGINES:
            printed, cost = run_measured(__name__, str(workspace), engine)
            yield WorkedOut(size.patients, engine, cost.seconds, json.loads(printed), cost.peak_mib)


def put_inputs(root: Path, size: Size) -> None:
    """A workspace of an invented group with a release that has got as far as its inputs."""
    make_group(root, size)
    workspace = Workspace.open(root)
    for folder in (workspace.accepted, workspace.quarantine, workspace.releases):
        private_folder(folder)
    report = ingest(workspace)
    candidate = release.candidate(workspace, report)
    private_folder(candidate.release.root)
    inputs.assemble(candidate.release, report, candidate.published)


def work_out(root: Path, engine: str) -> None:
    """Make the tables of both layers, and leave those of Spark at that."""
    workspace = Workspace.open(root).on_engine(engine)
    [made] = workspace.releases.iterdir()
    candidate = Release(made, workspace.settings, date.fromisoformat(made.name[:10]))
    candidate.warehouse.unlink(missing_ok=True)
    if engine == "spark":
        with tempfile.TemporaryDirectory(dir=made) as scratch:
            worked_out_on_spark(candidate, Path(scratch))
    else:
        run_dbt(candidate, "seed")
        run_dbt(candidate, "run", *COURSES_AND_COHORTS)


def processor_seconds() -> float:
    """Of this process and of those that it has waited for."""
    spent = map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(usage.ru_utime + usage.ru_stime for usage in spent)


if __name__ == "__main__":
    work_out(Path(sys.argv[1]), sys.argv[2])
    print(processor_seconds())
