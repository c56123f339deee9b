"""Prepares the tables on which the arrival gate's expectations are evaluated."""

from collections.abc import Callable, Iterator
from pathlib import Path

import duckdb

from expectations.thresholds import HISTORY_BATCHES
from ingest.contract import KINDS
from pipeline.durable import Step, durable_step
from pipeline.workspace import Release

FOLDER = Path(__file__).parent
SETTINGS = ("sites", "batches", "settled_harms")
QUALITY = ("files", "flagged_values", "refused_harms")
MEASURED = (  # in the order in which they build on each other
    "patients_told_of",
    "arrivals",
    "site_kinds",
    "freshness",
    "columns_filled",
    "typical_values",
    "linked_keys",
    "links",
    "contents",
    "file_rows",
    "harms",
)


def measure(release: Release, database: Path, on_table: Callable[[int], None]) -> None:
    """Write one table for each SQL file named in `MEASURED`; an older database is replaced.

    `on_table` is told after each table how many are done.
    """
    durable_step(Step.ARRIVAL_GATE)
    database.unlink(missing_ok=True)
    with duckdb.connect(str(database)) as connection:
        connection.execute("set variable as_of = $1", [release.as_of])
        connection.execute("set variable history_batches = $1", [HISTORY_BATCHES])
        for name, files in _inputs(release):
            connection.execute(f"create view {name} as from {_parquet(files)}")
        connection.execute(f"create table kinds as {_kinds()}")
        connection.execute(_sql("macros"))
        for done, table in enumerate(MEASURED, start=1):
            connection.execute(f"create table {table} as\n{_sql(table)}")
            on_table(done)


def _inputs(release: Release) -> Iterator[tuple[str, Path]]:
    by_site_and_batch = "*/*/*.parquet"
    for kind in KINDS:
        yield kind.name, release.inputs / kind.name / by_site_and_batch
        yield f"refused_{kind.name}", release.inputs / "refused" / kind.name / by_site_and_batch
    for name in SETTINGS:
        yield name, release.inputs / "settings" / f"{name}.parquet"
    for name in QUALITY:
        yield name, release.inputs / "quality" / f"{name}.parquet"


def _parquet(files: Path) -> str:
    escaped = str(files).replace("'", "''")
    return (
        f"read_parquet('{escaped}', "
        "hive_partitioning = true, hive_types_autocast = false, union_by_name = true)"
    )


def _kinds() -> str:
    rows = ", ".join(f"('{kind.name}', {kind.required})" for kind in KINDS)
    return f"select * from (values {rows}) as kinds (kind, required)"


def _sql(name: str) -> str:
    return (FOLDER / f"{name}.sql").read_text(encoding="utf-8")
