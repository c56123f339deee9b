"""The whole run, stage by stage, beside the least it could take and beside what people do today."""

import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path

import pandas as pd

from ingest.contract import KINDS
from pipeline.release import row_counts
from pipeline.workspace import Release, Workspace
from tests.benchmarks.bare import (
    compiled,
    copy_seconds,
    count_seconds,
    read_seconds,
    scan_seconds,
    sql_seconds,
)
from tests.benchmarks.comparison import GRAINS, differences
from tests.benchmarks.measured import Cost, run_measured, stages_of_run
from tests.benchmarks.sizes import Size, make_group, write_key

WHOLE = "whole"
BUILT = ("courses", "cohorts")
FLOORS = {
    "ingest": "counting the exports' rows with DuckDB",
    "arrival gate": "reading every value of the inputs",
    "build": "the same SQL sent to DuckDB without dbt",
    "built gate": "reading every value of the built tables",
    "publish": "writing the cohort tables as Parquet",
    "release": "reading every byte of the release",
    WHOLE: "the count and the SQL together",
}

Costs = Mapping[str, Cost]


@dataclass(frozen=True)
class Turn:
    """One run of a group by the job, by bare DuckDB, and by the script of pandas and lifelines."""

    stages: Costs
    floors: Mapping[str, float]
    script: Costs | None

    def as_json(self) -> dict[str, object]:
        return asdict(self)


def turns(
    groups: Path, size: Size, times: int, script_times: int
) -> Iterator[tuple[dict[str, int], Turn]]:
    """Measure a group so many times, the script fewer if asked; with it the rows it exported.

    The exports are made in `groups` once and stay there. Every turn has a workspace of its own.

    Raises:
        DifferentFigures: the job and the script do not agree.
    """
    group = groups / size.name
    if not group.exists():
        make_group(group, size)
    for number in range(times):
        with tempfile.TemporaryDirectory(prefix="turn-", dir=groups) as scratch:
            root = Path(scratch) / "group"
            shutil.copytree(group, root, copy_function=os.link)
            write_key(root)
            stages = stages_of_run(root)
            release = current_release(root)
            floors, rows = floors_of(root, release)
            script = script_of(root, release) if number < script_times else None
            yield rows, Turn(stages, floors, script)


def floors_of(root: Path, release: Release) -> tuple[dict[str, float], dict[str, int]]:
    """Seconds of each of FLOORS, and the rows of each kind in the exports."""
    counting, rows = count_seconds(root)
    sql = sql_seconds(release, compiled(release))
    inputs = [
        f"from read_parquet('{release.inputs}/{kind.name}/*/*/*.parquet', union_by_name = true)"
        for kind in KINDS
    ]
    built = [table for table in row_counts(release) if table.startswith(BUILT)]
    cohorts = [table for table in built if table.startswith("cohorts.")]
    measures: dict[str, Callable[[], float]] = {
        "arrival gate": lambda: scan_seconds(inputs),
        "built gate": lambda: scan_seconds(
            [f"from {table}" for table in built], warehouse=release.warehouse
        ),
        "publish": lambda: copy_seconds(release.warehouse, cohorts),
        "release": lambda: read_seconds(release.root),
    }
    floors = {name: measure() for name, measure in measures.items()}
    return {"ingest": counting, "build": sql, **floors, WHOLE: counting + sql}, rows


class DifferentFigures(Exception):
    """The job and the script came to different figures."""


def script_of(root: Path, release: Release) -> Costs:
    """The script in a process of its own: reading, working out, and the whole process."""
    printed, process = run_measured("tests.benchmarks.scripted", str(root))
    tables = {name: pd.read_parquet(root / f"{name}.parquet") for name in GRAINS}
    apart = differences(release.warehouse, tables)
    if apart:
        raise DifferentFigures("\n".join(apart))
    parts = {name: Cost(seconds, process.peak_mib) for name, seconds in json.loads(printed).items()}
    return {**parts, WHOLE: process}


def current_release(root: Path) -> Release:
    workspace = Workspace.open(root)
    release = workspace.current.resolve()
    return Release(release, workspace.settings, date.fromisoformat(release.name[:10]))
