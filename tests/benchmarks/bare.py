"""The least that the same work can take: bare DuckDB on the same files, and on the same SQL."""

import json
import tempfile
import time
from collections.abc import Iterable, Mapping
from graphlib import TopologicalSorter
from hashlib import file_digest
from pathlib import Path
from typing import Any

import duckdb
from dbt.cli.main import dbtRunner

from ingest.contract import KINDS
from models import build
from pipeline.workspace import Release

MEMORY = "3GB"  # as models/profiles.yml gives dbt
# Told, since finding the dialect of each small file out would take longer than reading it.
DIALECT = """delim = ',', quote = '"', escape = '"', header = true"""
READERS = {
    "csv*": f"read_csv(?, union_by_name = true, all_varchar = true, {DIALECT})",
    "parquet": "read_parquet(?, union_by_name = true)",
}


def count_seconds(root: Path) -> tuple[float, dict[str, int]]:
    """Seconds that counting the rows of every export takes, and the rows of each kind."""
    rows, began = dict.fromkeys((kind.name for kind in KINDS), 0), time.monotonic()
    with duckdb.connect() as connection:
        connection.sql("set enable_progress_bar = false")
        for kind in KINDS:
            for ending, reader in READERS.items():
                files = [str(file) for file in root.glob(f"exports/*/*/{kind.name}*.{ending}")]
                if files:
                    rows[kind.name] += _count(connection, reader, files)
    return time.monotonic() - began, rows


def _count(connection: duckdb.DuckDBPyConnection, reader: str, files: list[str]) -> int:
    [(rows,)] = connection.execute(f"select count(*) from {reader}", [files]).fetchall()
    return int(rows)


def sql_seconds(release: Release, nodes: Mapping[str, dict[str, Any]]) -> float:
    """Seconds that the SQL of compiled models and data tests takes, sent to DuckDB without dbt."""
    parents = {
        name: [parent for parent in node["depends_on"]["nodes"] if parent in nodes]
        for name, node in nodes.items()
    }
    statements = [statement(nodes[name]) for name in TopologicalSorter(parents).static_order()]
    # The compiled SQL names the database, and DuckDB names it after its file.
    with (
        tempfile.TemporaryDirectory() as scratch,
        duckdb.connect(f"{scratch}/{release.warehouse.name}") as connection,
    ):
        connection.sql(f"set memory_limit = '{MEMORY}'; set enable_progress_bar = false")
        _copy_seeds(connection, release)
        for schema in sorted({node["schema"] for node in nodes.values()}):
            connection.sql(f"create schema if not exists {schema}")
        began = time.monotonic()
        for each in statements:
            connection.execute(each)
        return time.monotonic() - began


def scan_seconds(queries: Iterable[str], *, warehouse: Path | None = None) -> float:
    """Seconds that reading every value of what some queries give takes."""
    with duckdb.connect(str(warehouse or ":memory:"), read_only=warehouse is not None) as reader:
        reader.sql(f"set memory_limit = '{MEMORY}'; set enable_progress_bar = false")
        began = time.monotonic()
        for query in queries:
            reader.execute(f"select count(columns(*)) from ({query})").fetchall()
        return time.monotonic() - began


def copy_seconds(warehouse: Path, tables: Iterable[str]) -> float:
    """Seconds that writing some tables as Parquet takes."""
    with (
        tempfile.TemporaryDirectory() as scratch,
        duckdb.connect(str(warehouse), read_only=True) as reader,
    ):
        began = time.monotonic()
        for table in tables:
            reader.table(table).write_parquet(f"{scratch}/{table}.parquet")
        return time.monotonic() - began


def read_seconds(folder: Path) -> float:
    """Seconds that reading every byte below a folder takes."""
    began = time.monotonic()
    for file in folder.rglob("*"):
        if file.is_file():
            with file.open("rb") as opened:
                file_digest(opened, "sha256")
    return time.monotonic() - began


def compiled(release: Release) -> dict[str, dict[str, Any]]:
    """dbt's own account of each model and data test, with the SQL it would send."""
    with tempfile.TemporaryDirectory() as scratch, build._environment(release):
        compilation = dbtRunner().invoke(
            [
                *("--quiet", "compile", "--exclude", "defined"),
                *("--target-path", scratch, "--log-path", scratch),
                *("--project-dir", str(build.PROJECT), "--profiles-dir", str(build.PROJECT)),
                *("--vars", json.dumps(build.variables(release))),
            ]
        )
        build.DuckDBConnectionManager.close_all_connections()
        if not compilation.success:
            raise RuntimeError(f"dbt could not compile: {compilation.exception}")
        nodes = json.loads((Path(scratch) / "manifest.json").read_text())["nodes"]
    return {
        name: node
        for name, node in nodes.items()
        if node["resource_type"] in ("model", "test") and node.get("compiled")
    }


def statement(node: dict[str, Any]) -> str:
    if node["resource_type"] == "test":
        return f"select count(*) from ({node['compiled_code']})"
    kind = node["config"]["materialized"]
    return f"create {kind} {node['schema']}.{node['alias']} as {node['compiled_code']}"


def _copy_seeds(connection: duckdb.DuckDBPyConnection, release: Release) -> None:
    connection.sql(f"attach '{release.warehouse}' as built (read_only)")
    seeds = connection.sql(
        "select table_name from information_schema.tables "
        "where table_catalog = 'built' and table_schema = 'seeds'"
    ).fetchall()
    connection.sql("create schema seeds")
    for (seed,) in seeds:
        connection.sql(f"create table seeds.{seed} as from built.seeds.{seed}")
    connection.sql("detach built")
