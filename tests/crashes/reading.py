"""Readers that look at what is published again and again, each in a process of its own."""

import json
import time
from pathlib import Path

import duckdb

from pipeline.readers import reading

LONGEST_SECONDS = 600


def read_in_a_loop(root: Path, kind: str, stop: Path) -> int:
    """Read until the file `stop` is there; prints how often, of how many releases, and faults.

    Args:
        root: the workspace.
        kind: `holding`, as this program's own readers do, everything of one release; or `stranger`,
            who opens the warehouse through `current` and knows nothing of locks.
        stop: when it is there, reading ends.
    """
    looks, names, faults = 0, set(), []
    until = time.monotonic() + LONGEST_SECONDS
    while not stop.exists() and time.monotonic() < until:
        try:
            name, fault = _everything(root) if kind == "holding" else _warehouse(root)
            names.add(name)
            if fault:
                faults.append(fault)
        except Exception as error:
            faults.append(f"{type(error).__name__}: {error}")
        looks += 1
    print(json.dumps({"looks": looks, "releases": sorted(names), "faults": faults}))
    return 0


def _everything(root: Path) -> tuple[str, str]:
    """Page, manifest and warehouse tell of one release and one count."""
    with reading(root) as release:
        page = (release / "dashboards" / "index.html").read_text().splitlines()
        manifest = json.loads((release / "manifest.json").read_text())
        name, rows = _queried(release / "warehouse.duckdb")
        told = (f"<p>{name}</p>", f"<p>{rows}</p>")
    mixed = tuple(page) != told or not manifest["release"] == name == release.name
    return name, f"mixed: {page} {manifest['release']} {told}" if mixed else ""


def _warehouse(root: Path) -> tuple[str, str]:
    """Two queries over one connection: the count that belongs to the release that is named."""
    name, _ = _queried(root / "current" / "warehouse.duckdb")
    return name, ""


def _queried(warehouse: Path) -> tuple[str, int]:
    with duckdb.connect(str(warehouse), read_only=True) as connection:
        [(name,)] = connection.sql("select name from cohorts.release").fetchall()
        [(rows,)] = connection.sql("select sum(rows_accepted) from cohorts.arrived").fetchall()
    return name, int(rows)
