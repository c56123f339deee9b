"""The models as one page: dbt's own documentation site, with all it shows in the one file.

Only what equal runs share is kept, and nothing of the machine: no time, no path, no rendered SQL.
"""

import json
import re
from collections.abc import Mapping
from importlib.resources import files
from typing import Any, TypeAlias

import duckdb

from models.descriptions import one_line
from pipeline.durable import Step, durable_step
from pipeline.workspace import Release

SITE = files("dbt.task.docs") / "index.html"
MANIFEST, CATALOG = '"MANIFEST.JSON INLINE DATA"', '"CATALOG.JSON INLINE DATA"'
ICON = re.compile(r'<link rel="shortcut icon"[^>]*>')  # a file of its own, which is not there
PACKAGE = "lidcohort"
OF_A_PACKAGE = ("nodes", "sources", "exposures", "macros", "unit_tests", "docs")
OF_ONE_RUN = frozenset({"generated_at", "run_started_at", "invocation_started_at", "created_at"})
OF_ONE_RUN |= {"invocation_id", "user_id", "env", "checksum"}
WITH_PATHS = frozenset({"root_path", "build_path", "compiled_path", "compiled_code", "compiled"})
WITH_PATHS |= {"relation_name", "external_location", "unrendered_config", "source_meta"}
UNORDERED = frozenset({"nodes", "macros", "sources", "refs"})  # where they are lists
MAPS = ("parent_map", "child_map")
COLUMNS = (
    "select schema_name, table_name, column_name, data_type, coalesce(comment, '') as comment "
    "from duckdb_columns() where database_name = current_database() and not internal "
    "order by schema_name, table_name, column_index"
)

Json: TypeAlias = dict[str, Any]


def write_docs_page(release: Release, manifest: Mapping[str, Any]) -> None:
    """Write the page of a built release's models to `release.models_page`.

    Args:
        release: with its warehouse built.
        manifest: dbt's of the same build.

    Raises:
        OSError: it cannot be written.
    """
    durable_step(Step.MODELS_PAGE)
    with duckdb.connect(str(release.warehouse), read_only=True) as warehouse:
        columns = warehouse.execute(COLUMNS).fetchall()
    release.models_page.write_text(docs_page(manifest, columns), encoding="utf-8")


def docs_page(manifest: Mapping[str, Any], columns: list[tuple[str, ...]]) -> str:
    """dbt's page of `manifest`, with the warehouse's columns.

    Args:
        manifest: as dbt writes it beside what it built.
        columns: schema, table, name, type and comment of each, in their order.
    """
    kept = shared_by_equal_runs(manifest)
    site = ICON.sub("", SITE.read_text(encoding="utf-8"))
    return site.replace(MANIFEST, _inline(kept)).replace(CATALOG, _inline(_catalog(kept, columns)))


def shared_by_equal_runs(manifest: Mapping[str, Any]) -> Json:
    """The project's own part of a manifest, without what differs from run to run."""
    ours = {
        part: {name: told for name, told in held.items() if told["package_name"] == PACKAGE}
        if part in OF_A_PACKAGE
        else held
        for part, held in manifest.items()
    }
    kept: Json = _without(ours, OF_ONE_RUN | WITH_PATHS)
    for part in MAPS:
        kept[part] = {name: sorted(others) for name, others in kept.get(part, {}).items()}
    for node in kept["nodes"].values():
        node["meta"] = node.get("meta", {}).get("estimand", {})  # part by part, not as one line
    return kept


def _without(told: Any, names: frozenset[str]) -> Any:
    if isinstance(told, dict):
        return {
            name: _in_order(name, _without(value, names))
            for name, value in told.items()
            if name not in names
        }
    if isinstance(told, list):
        return [_without(value, names) for value in told]
    return told


def _in_order(name: str, told: Any) -> Any:
    """Lists whose order says nothing, and differs from run to run, in one that does not."""
    return sorted(told, key=json.dumps) if name in UNORDERED and isinstance(told, list) else told


def _catalog(manifest: Json, columns: list[tuple[str, ...]]) -> Json:
    """What dbt's page reads of the warehouse itself: each model's columns and their types."""
    tables: dict[tuple[str, str], Json] = {}
    for schema, table, name, kind, comment in columns:
        held = tables.setdefault((schema, table), {})
        held[name] = {
            "name": name,
            "type": kind,
            "index": len(held) + 1,
            "comment": one_line(comment),
        }
    nodes = {
        name: {
            "unique_id": name,
            "metadata": {
                "type": node["config"]["materialized"],
                "schema": node["schema"],
                "name": node["alias"],
                "database": node["database"],
                "comment": None,
                "owner": None,
            },
            "columns": tables[node["schema"], node["alias"]],
            "stats": {},
        }
        for name, node in manifest["nodes"].items()
        if (node["schema"], node["alias"]) in tables
    }
    return {"metadata": {}, "nodes": nodes, "sources": {}, "errors": None}


def _inline(told: Json) -> str:
    """As JSON within a script: no text of it can end the script."""
    return json.dumps(told, sort_keys=True, separators=(",", ":")).replace("</", "<\\/")
