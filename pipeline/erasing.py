"""Erasing forgotten patients from whatever the workspace keeps beside its releases."""

import re
import shutil
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import polars as pl

from ingest.contract import PATIENT, SESSIONS
from ingest.forgotten import (
    SESSION,
    Forgotten,
    is_theirs,
    read_forgotten,
    theirs_in,
    write_forgotten,
)
from ingest.keys import Rekeying
from ingest.store import remove_leftovers
from ingest.withdrawn import Withdrawal, read_withdrawn, write_withdrawn
from pipeline.durable import Step, durable_step
from pipeline.files import write_whole
from pipeline.workspace import Workspace

TRACE_DIGITS = 16  # of a key, by which messages and group.toml name a harm
TRACE = "forgotten"  # stands in the run record where a key of theirs stood


def put_on_the_list(workspace: Workspace, site: str, own_id: str) -> Forgotten:
    """Have a clinic's patient forgotten: their key and their sessions' keys, nothing else, kept.

    From here on their rows are dropped on arrival, and the rest is finished by the next run even
    if this one is killed.
    """
    [patient] = Rekeying(workspace.key).keys(pl.Series([own_id]), site, PATIENT.entity)
    theirs = frozenset({patient})
    sessions = [
        key
        for path in stored_files(workspace, site, SESSIONS.name)
        for key in _values(path, SESSION.stored_name, theirs)
    ]
    forgotten = read_forgotten(workspace).with_more(site, theirs.union(sessions))
    write_forgotten(workspace, forgotten)
    return forgotten


def stored_files(workspace: Workspace, site: str, kind: str = "*") -> list[Path]:
    """Every file of a site's checked rows, once: in the stores, and in the releases' inputs."""
    stores = (workspace.accepted, workspace.quarantine)
    paths = [
        *(path for store in stores for path in store.glob(f"{kind}/{site}/*.parquet")),
        *(
            path
            for inputs in workspace.releases.glob("*/inputs")
            for path in input_files(inputs, site, kind)
        ),
    ]
    return sorted({path.stat().st_ino: path for path in paths}.values())


def input_files(inputs: Path, site: str, kind: str = "*") -> list[Path]:
    """Every file of a site's checked rows, accepted and refused, among a release's inputs."""
    units = f"{kind}/site={site}/*/*.parquet"
    return sorted([*inputs.glob(units), *inputs.glob(f"refused/{units}")])


def traces(workspace: Workspace, forgotten: Forgotten) -> frozenset[str]:
    """How messages and group.toml may name them: the beginnings of all keys in their rows."""
    found = {key for site in forgotten.unfinished for key in forgotten.of(site)}
    for site in forgotten.unfinished:
        for path in stored_files(workspace, site):
            for name in _key_columns(path):
                found.update(_values(path, name, forgotten.of(site)))
    return frozenset(key[:TRACE_DIGITS] for key in found)


def erase_traces(workspace: Workspace, names: Iterable[str]) -> None:
    """Take what names them out of the run record."""
    if not workspace.history.is_file():
        return
    record = workspace.history.read_text("utf-8")
    named = re.compile("|".join(f"(?:{name})[0-9a-f]*" for name in sorted(names)))
    if (erased := named.sub(TRACE, record)) != record:
        write_whole(workspace.history, erased, step=Step.ERASED_RECORD)


def erase_from_withdrawn(workspace: Workspace, forgotten: Forgotten) -> None:
    """Take their harms off the list of withdrawn batches."""
    kept = read_withdrawn(workspace)
    left = [_without_theirs(withdrawal, forgotten.of(withdrawal.site)) for withdrawal in kept]
    if left != list(kept):
        write_withdrawn(workspace, left)


def empty_stores(workspace: Workspace, sites: Iterable[str]) -> None:
    """Remove all checked rows of some sites; the next run reads their exports anew."""
    remove_leftovers(workspace)
    for site in sites:
        for store in (workspace.accepted, workspace.quarantine):
            for folder in sorted(store.glob(f"*/{site}")):
                durable_step(Step.EMPTIED_STORE)
                shutil.rmtree(folder)


def rows_held(root: Path, forgotten: Forgotten) -> int:
    """How many of a release's input rows are theirs; a file that cannot be read counts as one.

    Where no row is, a harm of a withdrawn batch may still be.
    """
    harms = root / "inputs" / "quality" / "refused_harms.parquet"
    rows = sum(
        count_theirs(path, keys)
        for site, keys in forgotten.keys.items()
        for path in input_files(root / "inputs", site)
    )
    return rows or sum(count_theirs(harms, keys) for keys in forgotten.keys.values())


def count_theirs(path: Path, keys: frozenset[str]) -> int:
    """How many rows of a file of checked rows are theirs; one where it cannot be read."""
    try:
        rows = pl.scan_parquet(path)
        return int(rows.select(theirs_in(rows, keys).sum()).collect(engine="streaming").item())
    except (OSError, pl.exceptions.PolarsError):
        return 1


def _values(path: Path, name: str, keys: frozenset[str]) -> Iterator[str]:
    """A column's values in their rows of a file."""
    try:
        rows = pl.scan_parquet(path)
        found = rows.filter(theirs_in(rows, keys)).select(pl.col(name).drop_nulls().unique())
        yield from found.collect(engine="streaming").to_series()
    except (OSError, pl.exceptions.PolarsError):
        return


def _key_columns(path: Path) -> list[str]:
    try:
        names = pl.read_parquet_schema(path)
    except (OSError, pl.exceptions.PolarsError):
        return []
    return [name for name in names if name.endswith("_key")]


def _without_theirs(withdrawal: Withdrawal, keys: frozenset[str]) -> Withdrawal:
    told = pl.DataFrame(withdrawal.harms, infer_schema_length=None)
    are_theirs = told.select(is_theirs(told.columns, keys)).to_series()
    harms = zip(withdrawal.harms, are_theirs, strict=bool(withdrawal.harms))
    return replace(withdrawal, harms=tuple(harm for harm, is_one in harms if not is_one))
