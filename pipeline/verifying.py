"""Proving a release against its manifest: what differs, down to a single byte."""

import json
import stat
from collections.abc import Iterator, Mapping
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline import release as releases
from pipeline.errors import LidcohortError, ReleaseDamaged, WrongUse, cut, in_short
from pipeline.files import PRIVATE
from pipeline.readers import held, reading
from pipeline.seal import (
    DIGEST,
    FILES,
    MANIFEST_FILE,
    TABLES,
    WAREHOUSE,
    WAREHOUSE_FILE,
    file_digest,
    files_in,
    is_sealed,
    table_digests,
)
from pipeline.standing import current
from pipeline.voice import Answer, Voice
from pipeline.workspace import Release, Workspace

SHOWN = 20
_NEXT_STEP = (
    "Put its folder back from a backup, or have people read another one: `lidcohort rollback`."
)
FOR_OTHERS = stat.S_IWGRP | stat.S_IWOTH
UNIT = ("site", "batch", "kind")
OF_A_RESULT = ("expectation", "description", "success", "observed", "next_step")


def verify(workspace: Workspace, name: str | None, voice: Voice) -> Answer:
    """Prove the current release, or the one of this name; nothing is changed.

    Raises:
        WrongUse: there is no such release.
        LidcohortError: it was made before manifests held digests.
        ReleaseDamaged: it differs from its manifest; says in what.
    """
    if name is None:
        published = current(workspace.root)
        if published is not None and not _is_whole(published):
            raise _without_manifest(published)
        with reading(workspace.root) as root:
            return _verified(workspace, root, voice)
    root = workspace.releases / name
    if root.parent == workspace.releases and root.is_dir() and not _is_whole(root):
        raise _without_manifest(root)
    with held(root) as is_there:
        if not is_there or root.parent != workspace.releases:
            kept = [one.name for one in releases.release_folders(workspace) if _is_whole(one)]
            raise WrongUse(f"{name} is no release that is kept.", f"Kept are {in_short(kept)}.")
        return _verified(workspace, root, voice)


def has_digests(root: Path) -> bool:
    """Whether a release was made since manifests hold digests, as far as can be told."""
    try:
        manifest = json.loads((root / MANIFEST_FILE).read_text("utf-8"))
        return DIGEST in manifest or FILES in manifest
    except (OSError, ValueError, TypeError):
        return True  # a damaged one is for `differences` to tell


def differences(release: Release, voice: Voice, *, thorough: bool) -> list[str]:
    """What a release differs in from its manifest, a line each: where, and what.

    If `thorough`, also whether what it counts and tells of gates agrees within it; the built gate
    is evaluated again where the program is the one that made it.
    """
    path = release.manifest
    try:
        text = path.read_text("utf-8")
        manifest = json.loads(text)
        sealed = is_sealed(text, manifest)
    except (OSError, ValueError, AttributeError):
        return [f"{MANIFEST_FILE}: is no manifest any more"]
    if not sealed:
        return [f"{MANIFEST_FILE}: is not as it was written"]
    with voice.stage("files") as stage:
        found = [*_modes(release.root), *_files(release.root, manifest)]
        stage.counts = {"files": len(manifest[FILES]) + 2}
    with voice.stage("warehouse") as stage:
        found += _warehouse(release, manifest)
        stage.counts = {"tables": len(manifest[TABLES])}
    if found or not thorough:
        return found
    with voice.stage("counts") as stage:
        found = [*_counts(release.root, manifest), *_told_results(release, manifest)]
        stage.counts = {"units": len(manifest["units"]), "gate results": len(manifest["gates"])}
    if not found and manifest["code"] == releases.code_digest():
        with voice.stage("built gate") as stage:
            found = list(_results_anew(release, manifest))
            stage.counts = {"evaluated anew": len(_of_gate(manifest, "built"))}
    return found


def _verified(workspace: Workspace, root: Path, voice: Voice) -> Answer:
    if not has_digests(root):
        raise LidcohortError(
            f"{root.name} was made before manifests held digests.",
            "It cannot be proved: verify one that was made since.",
        )
    release = Release(root, workspace.settings, _as_of(root))
    found = differences(release, voice, thorough=True)
    if found:
        shown, more = cut(found, SHOWN)
        lines = [*(f"  {line}" for line in shown), *([f"  and {more:,} more"] if more else [])]
        raise ReleaseDamaged(
            "\n".join([f"{root.name} is not as its manifest says:", *lines]),
            _NEXT_STEP,
        )
    manifest = releases.read_manifest(root) or {}
    is_anew = manifest["code"] == releases.code_digest()
    gate = (
        "The built gate finds in it what it found."
        if is_anew
        else "The built gate was not evaluated again: another version of the program made it."
    )
    return Answer(
        f"{root.name} is as its manifest says: every file to the byte and no other, its tables, "
        f"its modes, and its counts from exports to cohorts. {gate}",
        {"outcome": "verified", "release": root.name, "gate_evaluated": is_anew},
    )


def _without_manifest(root: Path) -> ReleaseDamaged:
    return ReleaseDamaged(f"{root.name} has no manifest.", _NEXT_STEP)


def _is_whole(root: Path) -> bool:
    return (root / MANIFEST_FILE).is_file()


def _as_of(root: Path) -> date:
    """The day that a release's name begins with."""
    try:
        return date.fromisoformat(root.name[:10])
    except ValueError:
        return date.min


def _modes(root: Path) -> Iterator[str]:
    for folder in (root.parent, root):
        mode = stat.S_IMODE(folder.stat().st_mode)
        if mode != PRIVATE:
            yield f"{folder.name}: its mode is {mode:o}, not {PRIVATE:o}"
    for path in sorted(root.rglob("*")):
        mode = path.lstat().st_mode
        if not stat.S_ISLNK(mode) and mode & FOR_OTHERS:
            yield f"{path.relative_to(root)}: others may write in it (mode {stat.S_IMODE(mode):o})"


def _files(root: Path, manifest: Mapping[str, Any]) -> Iterator[str]:
    """The warehouse apart, as it also has tables to look at."""
    there, meant = set(files_in(root)), manifest[FILES]
    for name in sorted(there - {*meant, WAREHOUSE_FILE, MANIFEST_FILE}):
        yield f"{name}: is not in the manifest"
    for name, digest in meant.items():
        if name not in there:
            yield f"{name}: is missing"
        elif not (root / name).is_file() or (root / name).is_symlink():
            yield f"{name}: is no file any more"
        elif file_digest(root / name) != digest:
            yield f"{name}: its bytes differ"


def _warehouse(release: Release, manifest: Mapping[str, Any]) -> Iterator[str]:
    """Its bytes; where these differ also its tables, to tell what that means."""
    path = release.warehouse
    if not path.is_file() or path.is_symlink():
        yield f"{WAREHOUSE_FILE}: is missing"
        return
    if file_digest(path) == manifest[WAREHOUSE]:
        return
    try:
        found = table_digests(path)
    except (duckdb.Error, UnicodeDecodeError):
        yield f"{WAREHOUSE_FILE}: its bytes differ, and it cannot be read"
        return
    meant = manifest[TABLES]
    other = sorted(name for name in {*meant, *found} if meant.get(name) != found.get(name))
    tables = f"so do {in_short(other)}" if other else "its tables hold what they held"
    yield f"{WAREHOUSE_FILE}: its bytes differ; {tables}"


def _counts(root: Path, manifest: Mapping[str, Any]) -> Iterator[str]:
    """Rows read = accepted + refused + repeats + forgotten; accepted and refused lie in inputs."""
    files = pl.read_parquet(root / "inputs" / "quality" / "files.parquet")
    for file in files.to_dicts():
        told = sum(file[name] for name in ("accepted", "refused", "exact_repeats", "forgotten"))
        if file["rows_read"] != told:
            place = "/".join(file[name] for name in (*UNIT, "file"))
            yield f"{place}: {file['rows_read']} rows were read, {told} are accounted for"
    by_unit = files.group_by(UNIT).agg(pl.col("accepted", "refused").sum())
    told_of = {tuple(row[name] for name in UNIT): row for row in by_unit.to_dicts()}
    for unit in manifest["units"]:
        key = tuple(unit[name] for name in UNIT)
        path = Path(unit["kind"], f"site={unit['site']}", f"batch={unit['batch']}")
        for name, folder in (("accepted", "inputs"), ("refused", "inputs/refused")):
            lies = _rows(root / folder / path / f"{unit['digest']}.parquet")
            if lies != told_of[key][name]:
                told = told_of[key][name]
                yield f"{'/'.join(key)}: {told} rows {name} are told of, {lies} lie there"


def _rows(path: Path) -> int:
    if not path.is_file():
        return 0
    return int(pl.scan_parquet(path).select(pl.len()).collect().item())


def _told_results(release: Release, manifest: Mapping[str, Any]) -> Iterator[str]:
    """The warehouse counts and tells of gates what the manifest does."""
    if releases.row_counts(release) != manifest["rows"]:
        yield f"{WAREHOUSE_FILE}: its tables have other counts than the manifest"
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        kept = connection.sql(
            f"select gate, {', '.join(OF_A_RESULT)} from quality.gate_results"
        ).fetchall()
    meant = [tuple(gate[name] for name in ("gate", *OF_A_RESULT)) for gate in manifest["gates"]]
    if sorted(map(repr, kept)) != sorted(map(repr, meant)):
        yield "quality.gate_results: tells of other results than the manifest"


def _results_anew(release: Release, manifest: Mapping[str, Any]) -> Iterator[str]:
    from expectations import Gate, check  # Great Expectations takes seconds to import

    anew = {result.expectation: result for result in check(release, Gate.BUILT).results}
    for meant in _of_gate(manifest, Gate.BUILT):
        result = anew.get(meant["expectation"])
        found = result and tuple(getattr(result, name) for name in OF_A_RESULT)
        if found != tuple(meant[name] for name in OF_A_RESULT):
            yield f"built gate, {meant['expectation']}: finds something else than it found"


def _of_gate(manifest: Mapping[str, Any], gate: str) -> list[dict[str, Any]]:
    return [result for result in manifest["gates"] if result["gate"] == gate]
