"""Release directories: named by what goes in, finished by a manifest, pruned when old."""

import hashlib
import json
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import duckdb

from expectations import GateReport
from ingest import IngestReport
from ingest.keys import fingerprint
from models.definitions import Definition, parse_definition, read_definitions, told
from pipeline.durable import Step, durable_step
from pipeline.errors import LidcohortError, ReleaseDamaged, WrongUse
from pipeline.files import point, sync, sync_tree, write_whole
from pipeline.inputs import arrivals, units_told
from pipeline.published import Published, published_by
from pipeline.readers import unread
from pipeline.seal import FINISHED_AT, MANIFEST_FILE, contents, sealed
from pipeline.standing import current
from pipeline.workspace import Release, Workspace, key_place

FAILURE = "failure.json"
_PUT_BACK = "Put the release's folder back from a backup, or move it away; then run again."
KEY_FINGERPRINT = "key_fingerprint"
PUBLISHED = "published"
DEFINITIONS = "definitions"
START_PAGE = Path("dashboards") / "index.html"
BUILT_SCHEMAS = ("courses", "cohorts", "quality", "defined", "catalog")
STAGE_FOLDERS = ("dashboards", "expectations", "ingest", "models", "pipeline")
LEFT_BY_TOOLS = frozenset({"__pycache__", "target", "logs", "dbt_packages"})
VERSIONED = (
    "lidcohort",
    "dbt-core",
    "dbt-duckdb",
    "duckdb",
    "great-expectations",
    "jinja2",
    "plotly",
    "polars",
)
BY_ENGINE: Mapping[str, tuple[str, ...]] = {"duckdb": (), "spark": ("dbt-spark", "pyspark")}


@dataclass(frozen=True)
class Candidate:
    """A release that is to be: its place, and everything that decides what will be in it.

    `published` is the release before, which it is held against.
    """

    release: Release
    identity: Mapping[str, Any]
    published: Published
    definitions: Mapping[str, Definition]

    @property
    def is_complete(self) -> bool:
        return self.release.manifest.is_file()


def candidate(
    workspace: Workspace,
    report: IngestReport,
    published: Published | None = None,
    definitions: Mapping[str, Definition] | None = None,
) -> Candidate:
    """The release that these inputs lead to: equal inputs, equal name.

    What people read before is one of them. A complete release that was made from the same inputs
    is that release, whatever it was held against; another one is held against the current release,
    unless `published` is given. Definitions are those that the workspace keeps, unless they are
    given.

    Raises:
        WrongUse: a definition cannot be used as it stands.
    """
    if definitions is None:
        definitions = read_definitions(workspace)
    # Engines agree but for last digits, so each makes its own release, wherever Spark runs.
    settings = workspace.settings.model_dump(
        mode="json", exclude={"releases": True, "engine": {"master"}}
    )
    settings["group"]["as_of"] = report.as_of.isoformat()
    identity = {
        "as_of": report.as_of.isoformat(),
        "units": units_told(report),
        "arrivals": _digest(*(frame.write_csv().encode() for frame in arrivals(report).values())),
        "settings": settings,
        DEFINITIONS: told(definitions),
        KEY_FINGERPRINT: fingerprint(workspace.key),
        "code": code_digest(),
        "versions": {
            package: version(package)
            for package in VERSIONED + BY_ENGINE[settings["engine"]["name"]]
        },
    }
    if published is None:
        made = _made_from(workspace, identity)
        if made is not None:
            release = Release(made, workspace.settings, report.as_of)
            return Candidate(release, identity, Published(), definitions)
        published = _read_now(workspace)
    identity[PUBLISHED] = _digest(
        *(frame.write_csv().encode() for frame in published.frames.values())
    )
    digest = _digest(json.dumps(identity, sort_keys=True).encode())
    root = workspace.releases / f"{report.as_of.isoformat()}-{digest[:8]}"
    release = Release(root, workspace.settings, report.as_of)
    return Candidate(release, identity, published, definitions)


def _made_from(workspace: Workspace, identity: Mapping[str, Any]) -> Path | None:
    """The complete release that these inputs led to before; the current one rather than others."""
    told = json.loads(json.dumps(identity))
    read_now = current(workspace.root)
    return max(
        (
            root
            for root in release_folders(workspace)
            if (manifest := read_manifest(root)) is not None
            and {name: manifest.get(name) for name in told} == told
        ),
        key=lambda root: (root == read_now, root.name),
        default=None,
    )


def _read_now(workspace: Workspace) -> Published:
    """What people read now; nothing before the first release."""
    root = current(workspace.root)
    manifest = root and read_manifest(root)
    return published_by(root, manifest) if root and manifest else Published()


@cache
def code_digest() -> str:
    """Changes whenever a stage's code, SQL or template does, whatever the version says."""
    project = Path(__file__).parents[1]
    files = [
        file.relative_to(project)
        for folder in STAGE_FOLDERS
        for file in sorted((project / folder).rglob("*"))
        if file.is_file()
        and not file.name.startswith(".")
        and not LEFT_BY_TOOLS.intersection(file.parts)
    ]
    return _digest(
        *(part for file in files for part in (bytes(file), (project / file).read_bytes()))
    )


def finish(candidate: Candidate, gates: Sequence[GateReport]) -> dict[str, int]:
    """Write the manifest, which makes a release complete, once all else is on the disk.

    Returns the rows of each built table.
    """
    release = candidate.release
    sync_tree(release.root)
    sync(release.root.parent)
    rows = row_counts(release)
    manifest = {
        "release": release.name,
        **candidate.identity,
        "rows": rows,
        "gates": [asdict(result) for gate in gates for result in gate.results],
        **contents(release.root),
        FINISHED_AT: _after_all_others(release).isoformat(timespec="seconds"),
    }
    write_whole(release.manifest, sealed(manifest), step=Step.MANIFEST)
    return rows


def row_counts(release: Release) -> dict[str, int]:
    """Rows of each built table, by `schema.table`."""
    schemas = ", ".join(f"'{schema}'" for schema in BUILT_SCHEMAS)
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        tables = connection.sql(
            "select table_schema || '.' || table_name from information_schema.tables "
            f"where table_schema in ({schemas}) and table_type = 'BASE TABLE' order by all"
        ).fetchall()
        return {table: _count(connection, table) for (table,) in tables}


def _after_all_others(release: Release) -> datetime:
    """Now; or where the clock was set back, just after the newest release that is there.

    What is pruned and what a rollback leads to follow the order in which releases were made.
    """
    made = [
        datetime.fromisoformat(manifest[FINISHED_AT])
        for root in release.root.parent.iterdir()
        if (manifest := read_manifest(root)) is not None
    ]
    return max([datetime.now(UTC), *(before + timedelta(seconds=1) for before in made)])


def read_manifest(root: Path) -> dict[str, Any] | None:
    """A release's manifest, or None where the release is not complete.

    Raises:
        ReleaseDamaged: it is no manifest any more.
    """
    path = root / MANIFEST_FILE
    try:
        manifest: dict[str, Any] = json.loads(path.read_text("utf-8"))
        datetime.fromisoformat(manifest[FINISHED_AT])
    except (FileNotFoundError, NotADirectoryError):
        return None
    except (ValueError, KeyError, TypeError):
        raise ReleaseDamaged(f"{path} is damaged.", _PUT_BACK) from None
    return manifest


def defined_in(manifest: Mapping[str, Any]) -> dict[str, Definition]:
    """The definitions that a release was made with."""
    kept = manifest.get(DEFINITIONS, {})
    return {name: parse_definition(content) for name, content in kept.items()}


def refuse_another_key(workspace: Workspace) -> None:
    """Stop before a changed key makes every patient a new one, and parts settled harms from theirs.

    Raises:
        WrongUse: the key is not the one that the current release was made with.
    """
    root = current(workspace.root)
    made_with = root and (read_manifest(root) or {}).get(KEY_FINGERPRINT)
    known = {fingerprint(key) for key in (workspace.key, *workspace.former_keys)}
    if root and made_with is not None and made_with not in known:
        raise WrongUse(
            f"The group's key in {key_place(workspace.root)} is not the one that {root.name} was "
            "made with.",
            "Put that key back; `lidcohort rekey` makes a new one. If it is lost: start afresh in "
            "a new workspace, as README.md tells.",
        )


def switch(workspace: Workspace, release: Release) -> None:
    """Have people read this release from now on: one step, before it the old, after it the new."""
    point(workspace.current, release.root)


def unpublish(workspace: Workspace) -> None:
    """Have people read no release at all."""
    durable_step(Step.UNPUBLISH)
    workspace.current.unlink()
    sync(workspace.root)


@dataclass(frozen=True)
class Pruned:
    """Releases that were too old to keep, by name: those removed, and those that somebody reads."""

    removed: tuple[str, ...] = ()
    still_read: tuple[str, ...] = ()


def prune(workspace: Workspace) -> Pruned:
    """Remove complete releases beyond the current one and the `releases.keep` newest others.

    One that somebody reads is left to the next run.
    """
    others = [root for root in newest_first(workspace) if root != current(workspace.root)]
    removed: list[str] = []
    still_read: list[str] = []
    for root in sorted(others[workspace.settings.releases.keep :]):
        with unread(root) as nobody_reads_it:
            if nobody_reads_it:
                remove(root, Step.PRUNE)
        (removed if nobody_reads_it else still_read).append(root.name)
    return Pruned(tuple(removed), tuple(still_read))


def newest_first(workspace: Workspace) -> list[Path]:
    """Every complete release's folder, the one made last first."""
    made = [
        (manifest[FINISHED_AT], root)
        for root in release_folders(workspace)
        if (manifest := read_manifest(root)) is not None
    ]
    return [root for _, root in sorted(made, key=lambda one: (one[0], one[1].name), reverse=True)]


def units_kept(workspace: Workspace) -> set[str]:
    """Digests of the units that complete releases were made from."""
    manifests = map(read_manifest, release_folders(workspace))
    return {unit["digest"] for manifest in manifests if manifest for unit in manifest["units"]}


def sweep(workspace: Workspace) -> None:
    """Remove every release without a manifest: of failed runs, and of killed ones.

    Raises:
        ReleaseDamaged: people read it, so that it was whole once.
    """
    for root in release_folders(workspace):
        if read_manifest(root) is None:
            if root == current(workspace.root):
                raise ReleaseDamaged(
                    f"{root / MANIFEST_FILE}, of what people read, is gone.", _PUT_BACK
                )
            remove(root, Step.SWEEP)


def record_failure(
    release: Release, stage: str, failure: LidcohortError, gates: Sequence[GateReport]
) -> None:
    """Leave beside a failed candidate why it failed."""
    record = {
        "release": release.name,
        "stage": stage,
        "what": failure.what,
        "next_step": failure.next_step,
        "gates": [asdict(result) for gate in gates for result in gate.results],
    }
    content = json.dumps(record, indent=2) + "\n"
    write_whole(release.root / FAILURE, content, step=Step.FAILURE)


def remove(root: Path, step: Step = Step.DISCARD) -> None:
    """Remove a release; its manifest first, so that half a release never counts as one."""
    durable_step(step)
    (root / MANIFEST_FILE).unlink(missing_ok=True)
    if root.exists():
        sync(root)
        durable_step(step)
        shutil.rmtree(root)


def release_folders(workspace: Workspace) -> list[Path]:
    """Every release's folder, complete or not."""
    return sorted(path for path in workspace.releases.glob("*") if path.is_dir())


def _count(connection: duckdb.DuckDBPyConnection, table: str) -> int:
    [(rows,)] = connection.sql(f"select count(*) from {table}").fetchall()
    return int(rows)


def _digest(*parts: bytes) -> str:
    """Of the parts one by one, so that moving a byte from one to the next changes it."""
    return hashlib.sha256(b"".join(hashlib.sha256(part).digest() for part in parts)).hexdigest()
