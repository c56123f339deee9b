"""What can be said of a workspace after a run has ended, however it did."""

import hashlib
import json
from datetime import date
from pathlib import Path
from typing import Any

import duckdb

from expectations import Gate, check
from pipeline import release as releases
from pipeline.seal import DIGEST, FINISHED_AT, WAREHOUSE
from pipeline.standing import current
from pipeline.verifying import differences
from pipeline.voice import Voice
from pipeline.workspace import Release, Workspace

FOUND = "found: "  # begins the line that tells of it, among whatever else is printed
OF_A_RUN_ALONE = (FINISHED_AT, WAREHOUSE, DIGEST)
OF_A_DAY_ALONE = ("since", "withdrawn_on")
NOT_COMPARED = (".lock", "runs.jsonl")


def faults(root: Path, *, with_gate: bool) -> dict[str, Any]:
    """What people read, which releases are complete, and what is wrong with any of them."""
    if not (root / "group.toml").is_file():
        return {"current": None, "complete": [], "faults": [], "kept": kept(root)}
    workspace = Workspace.open(root)
    published = current(root)
    found = []
    complete = []
    if workspace.current.is_symlink() and published is None:
        found.append("current leads nowhere")
    for folder in releases.release_folders(workspace) if workspace.releases.is_dir() else []:
        is_complete = (folder / "manifest.json").is_file()
        if is_complete:
            complete.append(folder.name)
        if is_complete or folder == published:
            found += [f"{folder.name}: {line}" for line in _faults_of(workspace, folder, with_gate)]
    return {
        "current": published.name if published else None,
        "complete": complete,
        "faults": found,
        "kept": kept(root),
    }


def _faults_of(workspace: Workspace, folder: Path, with_gate: bool) -> list[str]:
    release = Release(folder, workspace.settings, date.fromisoformat(folder.name[:10]))
    found = differences(release, Voice(quiet=True), thorough=False)
    try:
        with duckdb.connect(str(release.warehouse), read_only=True) as connection:
            connection.sql("select count(*) from cohorts.arrived" if not with_gate else "select 1")
    except duckdb.Error as error:
        return [*found, f"does not open: {type(error).__name__}"]
    if with_gate and check(release, Gate.BUILT).stopped:
        found.append("does not pass the built gate")
    return found


def kept(root: Path) -> dict[str, str]:
    """A digest of whatever a workspace holds, but what differs between equal runs."""
    return {
        str(path.relative_to(root)): _digest(path)
        for path in sorted(root.rglob("*"))
        if path.name not in NOT_COMPARED and (path.is_symlink() or not path.is_dir())
    }


def _digest(path: Path) -> str:
    if path.is_symlink():
        return str(path.readlink())
    if path.name == "warehouse.duckdb":
        return "as the manifest says of its tables"
    content = path.read_bytes()
    if path.name == "manifest.json":
        manifest = json.loads(content)
        content = _text({name: manifest[name] for name in manifest if name not in OF_A_RUN_ALONE})
    elif path.suffix == ".json":
        content = _text(_without_days(json.loads(content)))
    return hashlib.sha256(content).hexdigest()


def _without_days(content: Any) -> Any:
    if isinstance(content, list):
        return [_without_days(one) for one in content]
    if isinstance(content, dict):
        return {name: part for name, part in content.items() if name not in OF_A_DAY_ALONE}
    return content


def _text(content: Any) -> bytes:
    return json.dumps(content, sort_keys=True).encode()
