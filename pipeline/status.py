"""How a workspace stands: what people read, what is waiting, what failed last."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from ingest.batches import find_exports
from ingest.store import mapping_bytes, run_digest, unit_digest
from pipeline import history
from pipeline import release as releases
from pipeline.errors import WrongUse
from pipeline.voice import Answer
from pipeline.workspace import Workspace

SHOWN_AT_MOST = 10


def status_of(workspace: Workspace) -> Answer:
    """The current release and its age, exports in no release yet, the last failure.

    Reads every export's bytes, as only they tell whether a release holds it; changes nothing.
    """
    root = releases.current(workspace)
    manifest = releases.read_manifest(root) if root else None
    failure = history.last_failure(workspace)
    waiting, fault = _waiting(workspace, manifest)
    current = _current(manifest) if manifest else None
    return Answer(
        "\n".join(
            [
                _current_line(current),
                f"Exports    {fault}" if fault else _waiting_line(waiting),
                _failure_line(failure),
            ]
        ),
        {
            "group": workspace.settings.group.name,
            "current": current,
            "waiting": waiting,
            "exports_fault": fault,
            "last_failure": failure,
        },
    )


def _current(manifest: Mapping[str, Any]) -> dict[str, Any]:
    age = datetime.now(UTC) - datetime.fromisoformat(manifest["finished_at"])
    return {
        "release": manifest["release"],
        "as_of": manifest["as_of"],
        "finished_at": manifest["finished_at"],
        "age_days": age.days,
    }


def _waiting(
    workspace: Workspace, manifest: Mapping[str, Any] | None
) -> tuple[list[str], str | None]:
    """Exports in no release as `site/batch/kind`, or else what keeps them from being read."""
    published = {unit["digest"] for unit in manifest["units"]} if manifest else set()
    try:
        exports = find_exports(workspace).exports
    except WrongUse as fault:
        return [], str(fault)
    run = run_digest(workspace)
    waiting = {
        f"{export.batch.site}/{export.batch.name}/{export.kind.name}": None
        for export in exports
        if unit_digest(export, run, mapping_bytes(workspace, export.batch.site)) not in published
    }
    return list(waiting), None


def _current_line(current: Mapping[str, Any] | None) -> str:
    if current is None:
        return "Current    nothing has been published yet"
    return (
        f"Current    {current['release']}, as of {current['as_of']}, "
        f"published {current['age_days']} days ago"
    )


def _waiting_line(waiting: Sequence[str]) -> str:
    if not waiting:
        return "Waiting    nothing: the current release holds every export"
    shown = ", ".join(waiting[:SHOWN_AT_MOST])
    more = f" and {len(waiting) - SHOWN_AT_MOST} more" if len(waiting) > SHOWN_AT_MOST else ""
    return f"Waiting    {shown}{more}: `lidcohort run` takes them in"


def _failure_line(failure: Mapping[str, Any] | None) -> str:
    if failure is None:
        return "Last run   did not fail"
    return f"Last run   failed {failure['began']}: {failure['what']} {failure['next_step']}"
