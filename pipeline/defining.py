"""A group's own response rules and cohorts: checked, kept in the workspace, listed, taken away."""

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import duckdb

from models.build import BuildFailed
from models.definitions import (
    MOST_DEFINITIONS,
    Cohort,
    Definition,
    in_words,
    read_definition,
    read_definitions,
)
from models.previewing import Preview, preview
from pipeline import defined
from pipeline import release as releases
from pipeline.durable import Step, durable_step
from pipeline.errors import WrongUse, as_sentence, in_short, suggestion
from pipeline.files import private_folder, sync, write_whole
from pipeline.history import Run
from pipeline.readers import held
from pipeline.standing import current
from pipeline.voice import Answer, Voice
from pipeline.workspace import Release, Workspace


def define(workspace: Workspace, path: Path, voice: Voice, run: Run, *, replace: bool) -> Answer:
    """Check a definition, say what it would select in the current release, and keep it.

    The caller holds the workspace, and records what `run` comes to.

    Raises:
        WrongUse: it cannot be used as it stands, or another one has its name; nothing is written.
    """
    definition, content = read_definition(path, workspace.settings)
    name = path.stem
    target = workspace.definitions / path.name
    is_kept = target.is_file() and target.read_bytes() == content
    if target.exists() and not is_kept and not replace:
        raise WrongUse(
            f"{target} is there already and says something else.",
            "Give the new one another name, or say --replace.",
        )
    if not target.exists() and len(read_definitions(workspace)) >= MOST_DEFINITIONS:
        raise WrongUse(
            f"{workspace.definitions} holds {MOST_DEFINITIONS} definitions already.",
            "Remove one that nobody needs: `lidcohort define --remove NAME`.",
        )
    selected = _previewed(workspace, name, definition, voice)
    if not is_kept:
        private_folder(workspace.definitions)
        write_whole(target, content, mode=0o600, step=Step.DEFINITION)
    run.outcome = "kept_already" if is_kept else "defined"
    return _defined(workspace, target, definition, selected, run.outcome)


def take_away(workspace: Workspace, name: str, run: Run) -> Answer:
    """Keep a definition no longer; releases made so far stay as they are.

    Raises:
        WrongUse: none of this name is kept.
    """
    kept = {path.stem: path for path in sorted(workspace.definitions.glob("*.toml"))}
    if name not in kept:
        known = suggestion(name, kept) if kept else "none is kept"
        raise WrongUse(
            as_sentence(f"{name} is no definition that is kept; {known}"),
            "`lidcohort define --list` lists them.",
        )
    durable_step(Step.DEFINITION)
    kept[name].unlink()
    sync(workspace.definitions)
    run.outcome = "taken_away"
    return Answer(
        f"{name} is not defined any more: from the next release on it is not built. Releases made "
        "so far stay as they are.\n"
        f"Next: `lidcohort run --workspace {workspace.root}`.",
        {"outcome": "taken_away", "definition": name},
    )


def listed(workspace: Workspace) -> Answer:
    """Every definition that is kept or in the current release, and whether the two agree.

    Raises:
        WrongUse: a file in `definitions/` cannot be used as it stands.
    """
    kept, built = defined.read_kept(workspace), defined.read_built(workspace)
    states = defined.states(kept, built)
    lines = [
        f"{name}: {content['kind']}, {content['title']} ({states[name]})"
        for name, content in sorted({**built, **kept}.items())
    ]
    return Answer(
        "\n".join(lines) or "Nothing is defined. README.md shows how a definition is written.",
        {"outcome": "listed", "definitions": states},
    )


def _previewed(
    workspace: Workspace, name: str, definition: Definition, voice: Voice
) -> tuple[str, Preview] | None:
    """The current release and what is selected in it; None where that cannot be told."""
    root = current(workspace.root)
    if root is None:
        return None
    with held(root) as is_there:
        manifest = releases.read_manifest(root) if is_there else None
        if manifest is None or manifest["code"] != releases.code_digest():
            return None
        release = Release(root, workspace.settings, date.fromisoformat(manifest["as_of"]))
        with voice.stage("preview") as stage:
            try:
                selected = preview(release, name, definition)
            except (BuildFailed, duckdb.Error) as error:
                raise WrongUse(
                    f"What {name} selects in {root.name} could not be looked up.",
                    "Prove that release with `lidcohort verify`, then give the command again.",
                ) from error
            stage.counts = {f"{selected.unit}s": selected.selected}
    below = workspace.settings.privacy.hide_counts_below
    if selected.mature < below:
        voice.warn(
            f"Fewer than {below} mature {selected.unit}s are in {name}: its rates say little, and "
            "such counts are hidden on whatever leaves a clinic. Ask for less, or wait."
        )
    return root.name, selected


def _defined(
    workspace: Workspace,
    target: Path,
    definition: Definition,
    selected: tuple[str, Preview] | None,
    outcome: str,
) -> Answer:
    name = target.stem
    lines = [
        f"{name} is a {definition.kind}: {definition.title}",
        *(f"  {line}" for line in in_words(definition)),
        *(_selected(isinstance(definition, Cohort), *selected) if selected else [_UNTOLD]),
        f"{'Kept' if outcome == 'defined' else 'Kept already'} as {target}.",
        f"Next: `lidcohort run --workspace {workspace.root}` builds it in the schema `defined`.",
    ]
    return Answer(
        "\n".join(lines),
        {
            "outcome": outcome,
            "definition": name,
            "kind": definition.kind,
            "file": target,
            "release": selected and selected[0],
            "selected": selected and vars(selected[1]),
        },
    )


_UNTOLD = (
    "What it selects is told once a release of this version of the program is there: give the "
    "command again after the next run."
)


def _selected(is_cohort: bool, release: str, found: Preview) -> Iterator[str]:
    who = "It holds" if is_cohort else "It applies to"
    yield (
        f"{who} {_many(found.selected, found.unit)} of {_many(found.patients, 'patient')} at "
        f"{_many(found.clinics, 'clinic')} in {release}; mature: {found.mature:,}."
    )
    judged = [f"{rule} {count:,}" for rule, count in found.evaluable.items()]
    yield f"Evaluable, in courses or eyes: {in_short(judged) or 'none'}."


def _many(count: int, noun: str) -> str:
    return f"{count:,} {noun}{'' if count == 1 else 's'}"
