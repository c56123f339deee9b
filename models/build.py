"""Builds a release's warehouse: the dbt project, run in process on the release's own inputs."""

import json
import os
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from dbt.adapters.duckdb.connections import DuckDBConnectionManager
from dbt.cli.main import dbtRunner, dbtRunnerResult

from models import spark
from models.docs_page import write_docs_page
from pipeline.durable import Step, durable_step
from pipeline.workspace import Release

PROJECT = Path(__file__).parent
MANIFEST = "manifest.json"  # dbt's, not the release's
COURSES_AND_COHORTS = ("--select", "+path:layers/courses", "+path:layers/cohorts")

OnProgress = Callable[[int, int], None]


class BuildFailed(Exception):
    """A model or one of its tests failed; `failures` holds a line for each."""

    def __init__(self, failures: list[str]) -> None:
        super().__init__("; ".join(failures))
        self.failures = failures


@dataclass(frozen=True)
class NodeResult:
    """One model, seed, test or analysis that dbt ran, and its SQL; seconds of wall time."""

    name: str
    resource_type: str
    status: str
    seconds: float
    sql: str = ""


@dataclass(frozen=True)
class BuildReport:
    """What dbt ran, and its manifest of the whole project."""

    nodes: tuple[NodeResult, ...]
    manifest: Mapping[str, Any] = field(default_factory=dict)

    def count(self, resource_type: str) -> int:
        return sum(node.resource_type == resource_type for node in self.nodes)


def build(release: Release, *, on_progress: OnProgress | None = None) -> BuildReport:
    """Build every model of a release, run its data tests and write the page of the models.

    Calls `on_progress` with the nodes done and the nodes in all, after each node; with Spark, first
    for its own, then for all.

    Raises:
        BuildFailed: a model or a test failed.
    """
    durable_step(Step.BUILD)
    release.warehouse.unlink(missing_ok=True)
    # A log beside a replaced file would be replayed into the new one.
    release.warehouse.with_name(release.warehouse.name + ".wal").unlink(missing_ok=True)
    report = _built(release, on_progress)
    write_docs_page(release, report.manifest)
    return report


def _built(release: Release, on_progress: OnProgress | None) -> BuildReport:
    """The warehouse, by the engine that the settings name."""
    undefined = () if release.definitions.is_dir() else ("--exclude", "defined")
    everything = ("build", "--exclude-resource-type", "unit_test", *undefined)
    if release.settings.engine.name == "duckdb":
        return run_dbt(release, *everything, on_progress=on_progress)
    with tempfile.TemporaryDirectory(prefix="spark-", dir=release.root) as scratch:
        worked_out_on_spark(release, Path(scratch), on_progress=on_progress)
        return run_dbt(release, *everything, on_progress=on_progress, handed_back=Path(scratch))


def worked_out_on_spark(
    release: Release, handed_back: Path, *, on_progress: OnProgress | None = None
) -> BuildReport:
    """Have Spark work the courses and cohorts out; their rows then lie in `handed_back`.

    Raises:
        BuildFailed: a model failed.
        WrongUse: Spark did not start.
    """
    run_dbt(release, "seed")
    with spark.reading_inputs(release, handed_back):
        command = ("run", "--target", "spark", *COURSES_AND_COHORTS)
        return run_dbt(release, *command, on_progress=on_progress)


def analyses(release: Release) -> dict[str, str]:
    """The worked analyses by name, each as SQL that runs on the release's warehouse.

    Raises:
        BuildFailed: dbt could not compile one.
    """
    report = run_dbt(release, "compile", "--no-introspect", "--select", "resource_type:analysis")
    return {node.name: node.sql for node in report.nodes}


def run_dbt(
    release: Release,
    *command: str,
    on_progress: OnProgress | None = None,
    handed_back: Path | None = None,
) -> BuildReport:
    """Run one dbt command on a release, with its settings as dbt variables.

    `handed_back` is where the rows of the courses and cohorts lie, if they were worked out
    elsewhere.

    Raises:
        BuildFailed: a model or a test failed, or dbt could not start.
    """
    with tempfile.TemporaryDirectory(prefix="lidcohort-dbt-") as scratch, _environment(release):
        arguments = [
            *("--log-level", "none", "--log-level-file", "none", "--no-print", "--quiet"),
            "--no-use-colors",
            *command,
            *("--project-dir", str(PROJECT), "--profiles-dir", str(PROJECT)),
            *("--target-path", scratch, "--log-path", scratch),
            *("--vars", json.dumps(variables(release) | _said(handed_back))),
        ]
        try:
            result = dbtRunner(callbacks=[_counting(on_progress)]).invoke(arguments)
        finally:
            DuckDBConnectionManager.close_all_connections()  # type: ignore[no-untyped-call]
        return BuildReport(_ran(result), json.loads(Path(scratch, MANIFEST).read_bytes()))


def variables(release: Release) -> dict[str, Any]:
    """What the models may read with `var(...)`: numbers of group.toml, and the as-of date."""
    settings = release.settings
    return {
        **settings.numbers.model_dump(),
        "as_of": release.as_of.isoformat(),
        "reference_protocol": settings.group.reference_protocol,
        "hide_counts_below": settings.privacy.hide_counts_below,
    }


def _said(handed_back: Path | None) -> dict[str, Any]:
    return {"handed_back": str(handed_back)} if handed_back else {}


def _counting(on_progress: OnProgress | None) -> Callable[[Any], None]:
    """A listener to dbt's events that counts its nodes as they finish."""
    done = total = 0

    def listen(event: Any) -> None:
        nonlocal done, total
        if event.info.name == "ConcurrencyLine":
            total = event.data.node_count
        elif event.info.name == "NodeFinished":
            done += 1
            if on_progress:
                on_progress(done, total)
            durable_step(Step.MODEL)

    return listen


@contextmanager
def _environment(release: Release) -> Iterator[None]:
    names: Mapping[str, str] = {
        "LIDCOHORT_WAREHOUSE": str(release.warehouse),
        "LIDCOHORT_INPUTS": str(release.inputs),
        "DBT_SEND_ANONYMOUS_USAGE_STATS": "false",
        "DO_NOT_TRACK": "1",
    }
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(names)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _ran(result: dbtRunnerResult) -> tuple[NodeResult, ...]:
    if result.exception is not None and not isinstance(result.exception, Exception):
        raise result.exception  # an interruption, which dbt hands back instead of letting through
    outcome: Any = result.result
    rows = list(getattr(outcome, "results", []))
    failures = [
        f"{row.node.name}: {row.message or row.status}"
        for row in rows
        if str(row.status) in ("error", "fail")
    ]
    if failures or not result.success:
        raise BuildFailed(failures or [str(result.exception or "dbt gave no reason")])
    return tuple(
        NodeResult(
            row.node.name,
            str(row.node.resource_type),
            str(row.status),
            row.execution_time,
            getattr(row.node, "compiled_code", None) or "",
        )
        for row in rows
    )
