"""Quick stand-ins for the stages between the inputs and the manifest, with their durable steps.

What they make depends on the release's inputs alone, as with the real ones: so a mix shows.
"""

import secrets
from pathlib import Path

import duckdb

from expectations import Gate, GateReport, GateResult, Severity
from models.build import BuildReport, NodeResult
from models.previewing import Preview
from pipeline import defining
from pipeline import run as flow
from pipeline.durable import Step, durable_step
from pipeline.workspace import Release

MAY_STOP = "stop.txt"  # in a workspace: names the gate that refuses
NOTHING_SELECTED = Preview("course", {}, selected=0, mature=0, patients=0, clinics=0)
NEW_KEY = "an invented new key of enough length"  # the same in every run, so that runs compare


def put_in(stages: str, warehouse: str | None) -> None:
    """Replace the slow stages: `quick` all; `copied` the build only, by a warehouse."""
    secrets.token_hex = lambda _: NEW_KEY
    if stages == "quick":
        flow.check, flow.build, flow.publish = _check, _build, _publish
        flow.label, flow.describe = lambda release: None, _describe
        defining.preview = lambda release, name, definition: NOTHING_SELECTED
    elif stages == "copied":
        flow.build = lambda release, *, on_progress=None: _copied(release, Path(warehouse))


def _check(release: Release, gate: Gate, *, on_progress=None) -> GateReport:
    durable_step(Step.ARRIVAL_GATE if gate is Gate.ARRIVAL else Step.BUILT_GATE)
    told = release.root.parents[1] / MAY_STOP
    passes = not (told.is_file() and told.read_text() == gate)
    return GateReport(
        gate, (GateResult(gate, "rows", "There are rows.", Severity.STOP, passes, ""),)
    )


def _build(release: Release, *, on_progress=None) -> BuildReport:
    durable_step(Step.BUILD)
    with duckdb.connect(str(release.warehouse)) as connection:
        connection.execute("create schema cohorts")
        connection.execute("create table cohorts.release as select $1 as name", [release.name])
        durable_step(Step.MODEL)
        connection.execute(
            "create table cohorts.arrived as select site, batch, count(*) as rows_accepted "
            f"from read_parquet('{release.inputs}/visits/*/*/*.parquet', hive_partitioning = true, "
            "hive_types_autocast = false) group by all order by all"
        )
    _models_page(release)
    return BuildReport((NodeResult("arrived", "model", "success", 0.0),))


def _describe(release: Release) -> int:
    durable_step(Step.CATALOG)
    with duckdb.connect(str(release.warehouse)) as connection:
        connection.execute("create schema catalog")
        connection.execute("create table catalog.tables as select 'arrived' as table_name")
    return 1


def _publish(release: Release, *, on_progress=None) -> None:
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        rows = connection.sql("select * from cohorts.arrived order by all").pl()
    release.tables.mkdir()
    durable_step(Step.TABLES)
    rows.write_parquet(release.tables / "arrived.parquet")
    release.dashboards.mkdir()
    for name in ("index.html", "quality.html"):
        durable_step(Step.PAGES)
        page = f"<p>{release.name}</p>\n<p>{rows['rows_accepted'].sum()}</p>\n"
        (release.dashboards / name).write_text(page)


def _copied(release: Release, warehouse: Path) -> BuildReport:
    """The warehouse that the reference run built of the same inputs, in parts."""
    durable_step(Step.BUILD)
    content = warehouse.read_bytes()
    with release.warehouse.open("wb") as file:
        file.write(content[: len(content) // 2])
        file.flush()
        durable_step(Step.MODEL)
        file.write(content[len(content) // 2 :])
    _models_page(release)
    return BuildReport((NodeResult("copied", "model", "success", 0.0),))


def _models_page(release: Release) -> None:
    durable_step(Step.MODELS_PAGE)
    release.models_page.write_text("<p>arrived</p>\n")
