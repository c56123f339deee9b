"""How a workspace stands: what people read, what is waiting, what runs, how the last run ended."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ingest.batches import find_exports
from ingest.dropping import keys_to_drop
from ingest.forgotten import NOBODY, read_forgotten
from ingest.keys import Rekeying
from ingest.store import read_mapping, refuse_mappings_of_no_site, run_digest, unit_digest
from ingest.withdrawn import read_withdrawn
from pipeline import defined, history, lock, rollback
from pipeline import release as releases
from pipeline.errors import WrongUse, in_short
from pipeline.lock import Holder
from pipeline.standing import current
from pipeline.vanishing import refuse_lost_exports
from pipeline.voice import Answer
from pipeline.workspace import Workspace

LABEL_WIDTH = 11
ERASING_UNFINISHED = "of a patient was cut short; `lidcohort run` finishes it"


def status_of(workspace: Workspace) -> Answer:
    """The current release and its age, exports in no release yet, who runs, the last failure.

    Reads every export's bytes, as only they tell whether a release holds it; changes nothing.
    """
    root = current(workspace.root)
    manifest = releases.read_manifest(root) if root else None
    holder = lock.holder(workspace.lock)
    running = holder if holder and holder.is_running else None
    failure = _killed(holder) if holder and not running else history.last_failure(workspace)
    rolled_back = rollback.in_force(workspace)
    aside = [workspace.releases / name for name in rolled_back.aside] if rolled_back else []
    manifests = [manifest, *map(releases.read_manifest, aside)]
    waiting, fault = _waiting(workspace, [one for one in manifests if one])
    redefined, misdefined = _redefined(workspace)
    published = _published(manifest) if manifest else None
    withdrawn = ["/".join(batch.place) for batch in read_withdrawn(workspace)]
    unfinished = bool(read_forgotten(workspace).unfinished)
    lines = {
        "Current": _current_line(published),
        **({"Rollback": rollback.in_words(rolled_back)} if rolled_back else {}),
        **({"Running": f"{running}"} if running else {}),
        **({"Exports": fault} if fault else {"Waiting": _waiting_line(waiting, failure, aside)}),
        **({"Defined": misdefined or _defined_line(redefined)} if misdefined or redefined else {}),
        **({"Withdrawn": in_short(withdrawn)} if withdrawn else {}),
        **({"Erasing": ERASING_UNFINISHED} if unfinished else {}),
        "Last run": _failure_line(failure),
    }
    return Answer(
        "\n".join(f"{label:<{LABEL_WIDTH}}{_indented(line)}" for label, line in lines.items()),
        {
            "group": workspace.settings.group.name,
            "current": published,
            "rollback": asdict(rolled_back) if rolled_back else None,
            "running": asdict(running) if running else None,
            "waiting": waiting,
            "exports_fault": fault,
            "definitions": redefined,
            "definitions_fault": misdefined,
            "withdrawn": withdrawn,
            "erasing_unfinished": unfinished,
            "last_failure": failure,
        },
    )


def _published(manifest: Mapping[str, Any]) -> dict[str, Any]:
    age = datetime.now(UTC) - datetime.fromisoformat(manifest["finished_at"])
    return {
        "release": manifest["release"],
        "as_of": manifest["as_of"],
        "finished_at": manifest["finished_at"],
        "age_days": age.days,
    }


def _killed(holder: Holder) -> dict[str, Any]:
    """The last failure where a run named itself in the lock and never took its name out."""
    return {
        "began": holder.since,
        "outcome": "killed",
        "what": f"Process {holder.pid} on {holder.host} was killed, or the power went.",
        "next_step": "Run again; nothing has to be tidied up.",
    }


def _waiting(
    workspace: Workspace, manifests: Sequence[Mapping[str, Any]]
) -> tuple[list[str], str | None]:
    """Exports in no release as `site/batch/kind`, or else what keeps them from being read."""
    published = {unit["digest"] for manifest in manifests for unit in manifest["units"]}
    try:
        releases.refuse_another_key(workspace)
        refuse_lost_exports(workspace)
        exports = find_exports(workspace).exports
        refuse_mappings_of_no_site(workspace)
        mappings = {
            site: read_mapping(workspace, site)[0] for site in workspace.settings.site_codes
        }
        forgotten = keys_to_drop(workspace, exports, Rekeying(workspace.key))
    except WrongUse as fault:
        return [], str(fault)
    run = run_digest(workspace)
    waiting = {
        f"{export.batch.site}/{export.batch.name}/{export.kind.name}": None
        for export in exports
        if unit_digest(
            export,
            run,
            mappings[export.batch.site],
            forgotten.get(export.batch.site, NOBODY),
        )
        not in published
    }
    return list(waiting), None


def _redefined(workspace: Workspace) -> tuple[Mapping[str, str], str | None]:
    """What the next run does about definitions, by name, or else what is wrong with one."""
    try:
        return defined.waiting(workspace), None
    except WrongUse as fault:
        return {}, str(fault)


def _current_line(published: Mapping[str, Any] | None) -> str:
    if published is None:
        return "nothing has been published yet"
    days = max(0, published["age_days"])  # the clock may have been set back since
    age = f"{days} days ago" if days > 1 else "a day ago" if days else "less than a day ago"
    return f"{published['release']}, as of {published['as_of']}, published {age}"


def _waiting_line(
    waiting: Sequence[str], failure: Mapping[str, Any] | None, aside: Sequence[Path]
) -> str:
    if not waiting:
        holds_them = (
            "the current release, or what was set aside," if aside else "the current release"
        )
        return f"nothing: {holds_them} holds every export"
    was_refused = failure is not None and failure["outcome"] == "refused"
    takes_in = "`lidcohort run` takes them in"
    then = f"once what the last run found is mended, {takes_in}" if was_refused else takes_in
    return f"{in_short(waiting)}: {then}"


def _defined_line(redefined: Mapping[str, str]) -> str:
    return in_short([f"{name} ({what})" for name, what in redefined.items()])


def _failure_line(failure: Mapping[str, Any] | None) -> str:
    if failure is None:
        return "did not fail"
    what = f"{failure['what']}\n" if "\n" in failure["what"] else f"{failure['what']} "
    return f"{failure['outcome']}, begun {failure['began']}: {what}{failure['next_step']}"


def _indented(lines: str) -> str:
    return lines.replace("\n", "\n" + " " * LABEL_WIDTH)
