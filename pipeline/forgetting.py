"""Forgetting a patient: the order in which their rows are erased, and what cannot be reached.

Whoever is killed on the way has the patient on the list, with the site named as unfinished; the
same command or the next run then goes through the same steps again, each of which does nothing
where it was done.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeAlias

from ingest import IngestReport
from ingest.forgotten import Forgotten, read_forgotten, write_forgotten
from ingest.store import scratch_folder
from models.spark import refuse_without_spark
from pipeline import erasing, rollback
from pipeline import release as releases
from pipeline.durable import Step
from pipeline.errors import LidcohortError, WrongUse, in_short, in_words, machine_failed
from pipeline.files import private_folder
from pipeline.history import Run
from pipeline.interruption import was_interrupted
from pipeline.published import taken_in
from pipeline.rekeying import refuse_half_rekeyed, with_lists_rekeyed
from pipeline.release import Candidate
from pipeline.remaining import remaining
from pipeline.settings import Settings
from pipeline.standing import current
from pipeline.voice import Answer, Voice
from pipeline.workspace import Workspace

Make: TypeAlias = Callable[[Workspace, Candidate, IngestReport, Voice], None]


@dataclass(frozen=True)
class Erasure:
    """What was done: rows of theirs that the newest release held, and what became of the releases.

    `failure` says why the current release could not be made again, and is then among `removed`.
    `settled` are the places of [[settled_harm]] in group.toml that name a harm of theirs.
    """

    rows: int
    made_again: str | None
    removed: Sequence[str]
    failure: LidcohortError | None
    settled: Sequence[int]


def forget(workspace: Workspace, patient: str, make: Make, voice: Voice, run: Run) -> Answer:
    """Erase a patient, `site/id`, from stores and releases, and drop their rows from now on.

    Nothing that is said or recorded names the patient. The caller holds the workspace, and records
    what `run` comes to.

    Raises:
        WrongUse: it names no site or no patient, or the engine that would make the release again
            cannot run.
        LidcohortError: the current release could not be made again without the patient; it is
            removed then, and the patient is forgotten.
    """
    site, own_id = _named(workspace, patient)
    refuse_without_spark(workspace.settings)
    for folder in (workspace.accepted, workspace.quarantine, workspace.releases):
        private_folder(folder)
    releases.refuse_another_key(workspace)
    refuse_half_rekeyed(workspace)
    workspace = with_lists_rekeyed(workspace)
    with voice.stage("forget"):
        erasing.put_on_the_list(workspace, site, own_id)
    erasure = _erase(workspace, make, voice)
    run.release = erasure.made_again
    if erasure.failure is not None:
        raise _unpublished(erasure.failure)
    run.outcome = "forgotten"
    return _answer(workspace, site, erasure)


def finish_forgetting(workspace: Workspace, make: Make, voice: Voice) -> None:
    """Erase what a killed `forget` left, if there was one.

    Raises:
        OSError: the disk is full, or a file cannot be removed.
    """
    if not read_forgotten(workspace).unfinished:
        return
    erasure = _erase(workspace, make, voice)
    voice.warn("A patient's erasing was cut short before; it is finished now.")
    if erasure.failure is not None:
        voice.warn(str(_unpublished(erasure.failure)))


def _named(workspace: Workspace, patient: str) -> tuple[str, str]:
    site, _, own_id = patient.partition("/")
    if site not in workspace.settings.site_codes or not own_id.strip():
        raise WrongUse(
            "--patient names no site of group.toml, or no patient.",
            "Write it SITE/ID, the clinic's own number after one of the sites "
            f"{in_short(workspace.settings.site_codes)}.",
        )
    return site, own_id.strip()


def _erase(workspace: Workspace, make: Make, voice: Voice) -> Erasure:
    forgotten = read_forgotten(workspace)
    with voice.stage("erase") as stage:
        named = erasing.traces(workspace, forgotten)
        erasing.erase_traces(workspace, named)
        erasing.erase_from_withdrawn(workspace, forgotten)
        erasing.empty_stores(workspace, forgotten.unfinished)
        releases.sweep(workspace)
        held = {
            root: rows
            for root in releases.release_folders(workspace)
            if (rows := erasing.rows_held(root, forgotten))
        }
        stage.counts = {"rows": max(held.values(), default=0), "releases": len(held)}
    published = current(workspace.root)
    made_again, failure = None, None
    if published in held:
        try:
            made_again = _make_again(workspace, published, forgotten, named, make, voice)
        except Exception as error:
            if was_interrupted() or machine_failed(error):
                raise
            failure = in_words(error)
            releases.unpublish(workspace)
    for root in held:
        releases.remove(root, Step.ERASED_RELEASE)
    write_forgotten(workspace, replace(forgotten, unfinished=()))
    return Erasure(
        max(held.values(), default=0),
        made_again,
        [root.name for root in held],
        failure,
        _settled(workspace.settings, named),
    )


def _make_again(
    workspace: Workspace,
    root: Path,
    forgotten: Forgotten,
    named: frozenset[str],
    make: Make,
    voice: Voice,
) -> str:
    """Make a release from its own inputs and settings, without them, and have people read it.

    The engine is the group's present one: the machine may have no other.
    """
    manifest = releases.read_manifest(root) or {}
    settings = Settings.model_validate(manifest["settings"])
    harms = tuple(
        harm
        for number, harm in enumerate(settings.settled_harm, start=1)
        if number not in _settled(settings, named)
    )
    kept = {"settled_harm": harms, "engine": workspace.settings.engine}
    as_it_was = replace(workspace, settings=settings.model_copy(update=kept))
    with scratch_folder(workspace) as scratch:
        report = remaining(root, manifest, forgotten, scratch)
        held_against, defined = taken_in(root / "inputs"), releases.defined_in(manifest)
        candidate = releases.candidate(as_it_was, report, held_against, defined)
        if not candidate.is_complete:
            make(as_it_was, candidate, report, voice)
    rollback.carry_over(workspace, candidate.release)
    releases.switch(workspace, candidate.release)
    return candidate.release.name


def _settled(settings: Settings, named: frozenset[str]) -> list[int]:
    return [
        number
        for number, settled in enumerate(settings.settled_harm, start=1)
        if settled.harm[: erasing.TRACE_DIGITS] in named
    ]


def _unpublished(failure: LidcohortError) -> LidcohortError:
    return type(failure)(
        "The patient is forgotten, but the release that people read could not be made again "
        f"without them, and was removed: {failure.what}",
        f"{failure.next_step} Then `lidcohort run` publishes again.",
    )


def _answer(workspace: Workspace, site: str, erasure: Erasure) -> Answer:
    in_exports = f"exports/{site}/"
    kept = (
        f"Forgotten: {erasure.rows:,} rows and all that was made of them. Nothing of this patient "
        "is left in accepted/, quarantine/, releases/ and the run record."
        if erasure.removed
        else "No row of this patient was in a release. See that the number is written as in the "
        f"clinic's exports, and that {site} is the clinic."
    )
    removed = [name for name in erasure.removed if name != erasure.made_again]
    lines = [
        kept,
        *([f"Made again without them: {erasure.made_again}."] if erasure.made_again else []),
        *([f"Removed: {in_short(removed)}."] if removed else []),
        "Rows of theirs that arrive from now on are dropped, and counted as forgotten.",
        *(
            f"group.toml names a harm of theirs: remove [[settled_harm]] #{number}."
            for number in erasure.settled
        ),
        f"Out of reach, and yours to see to: the clinic's own files in {in_exports} (their rows "
        "lie there until you take them out), backups and snapshots, copies of pages and tables "
        "that were handed on, and the history of the shell in which this was typed.",
        f"Next: take the rows out of {in_exports}, then "
        f"`lidcohort run --workspace {workspace.root}`.",
    ]
    return Answer(
        "\n".join(lines),
        {
            "outcome": "forgotten",
            "release": erasure.made_again,
            "removed": removed,
            "rows": erasure.rows,
            "settled_harms": list(erasure.settled),
        },
    )
