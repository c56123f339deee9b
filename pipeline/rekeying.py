"""A new secret for the group: every key is made anew from the exports, and nothing is lost.

The key file holds the present key on its first line and former ones below it, as long as anything
needs them. It is written first. From then on every command that reads exports puts the lists of
harms and of forgotten patients under the present key, as far as the exports still hold their ids;
and a run makes a release with it, then removes those made with a former key. Whoever is killed on
the way has all that in the files: the same command, or the next run, goes on.
"""

import json
import os
import secrets
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeAlias

from ingest.forgotten import read_forgotten
from ingest.keys import fingerprint
from ingest.translating import Translation, keys_in, translation
from models.spark import refuse_without_spark
from pipeline import release as releases
from pipeline.durable import Step
from pipeline.errors import WrongUse
from pipeline.files import write_whole
from pipeline.history import Run
from pipeline.settings import read_settings
from pipeline.standing import current
from pipeline.voice import Answer, Voice
from pipeline.workspace import KEY_VARIABLE, Workspace, key_file

RunJob: TypeAlias = Callable[[Workspace, Voice, Run], Answer]


def rekey(workspace: Workspace, run_job: RunJob, voice: Voice, run: Run) -> Answer:
    """Give the group a new secret, and make the release that people read with it.

    Goes on with a re-keying that was cut short. The caller holds the workspace, and records what
    `run` comes to.

    Raises:
        WrongUse: the key comes from the environment, where it cannot be changed; or a patient's
            erasing was cut short; or the engine cannot run.
        LidcohortError: no release could be made with the new key; people still read the one before,
            and the next run goes on.
    """
    if os.environ.get(KEY_VARIABLE):
        raise WrongUse(
            f"The group's key comes from {KEY_VARIABLE}, where it cannot be changed from here.",
            f"Write a new key into {KEY_VARIABLE}, the one until now on the line below it, and run "
            "`lidcohort run`.",
        )
    refuse_without_spark(workspace.settings)
    if not is_under_way(workspace):
        releases.refuse_another_key(workspace)
        if read_forgotten(workspace).unfinished:
            raise WrongUse(
                "A patient's erasing was cut short.",
                "Finish it with `lidcohort run`, then give this command again.",
            )
        former = (workspace.key, *workspace.former_keys)
        workspace = replace(workspace, key=secrets.token_hex(32).encode(), former_keys=former)
        _write_keys(workspace)
    published = run_job(workspace, voice, run)
    run.outcome = "rekeyed"
    kept = json.loads((workspace.root / "current" / "manifest.json").read_text("utf-8"))
    return Answer(
        "\n".join([*_told(workspace), published.lines]),
        {**published.content, "outcome": "rekeyed", "key_fingerprint": kept["key_fingerprint"]},
    )


def is_under_way(workspace: Workspace) -> bool:
    """Whether people read a release that was made with a former key."""
    root = current(workspace.root)
    made_with = root and (releases.read_manifest(root) or {}).get(releases.KEY_FINGERPRINT)
    return made_with in {fingerprint(key) for key in workspace.former_keys}


def with_lists_rekeyed(workspace: Workspace) -> Workspace:
    """The workspace with its lists under the present key, as far as exports tell the ids.

    Without a former key nothing is read or written.
    """
    if not workspace.former_keys:
        return workspace
    lists = _lists(workspace)
    known = translation(workspace, set().union(*map(keys_in, lists.values())))
    for path, text in lists.items():
        if (rekeyed := known.of(text)) != text:
            mode = path.stat().st_mode & 0o777
            write_whole(path, rekeyed, mode=mode, step=Step.REKEYED_LIST)
    harms = read_settings(workspace.root / "group.toml").settled_harm
    return replace(
        workspace, settings=workspace.settings.model_copy(update={"settled_harm": harms})
    )


def finish(workspace: Workspace) -> None:
    """Remove what was made with former keys, then the former keys that nothing needs any more.

    People read a release of the present key by now. A key that no export tells the id of stays on
    its list, and the former key with it: were the patient to come again, it would know them.
    """
    if not workspace.former_keys:
        return
    present = fingerprint(workspace.key)
    for root in releases.release_folders(workspace):
        manifest = releases.read_manifest(root)
        if manifest is not None and manifest.get(releases.KEY_FINGERPRINT) != present:
            releases.remove(root, Step.REKEYED_RELEASE)
    if not _left(workspace) and not os.environ.get(KEY_VARIABLE):
        _write_keys(replace(workspace, former_keys=()))


def refuse_half_rekeyed(workspace: Workspace) -> None:
    """Stop what must find a patient in every release, while some are under a former key.

    Raises:
        WrongUse: a re-keying was cut short.
    """
    if is_under_way(workspace):
        raise WrongUse(
            "A re-keying was cut short, so that two keys are in use.",
            "Finish it with `lidcohort run`, then give this command again.",
        )


def _lists(workspace: Workspace) -> dict[Path, str]:
    """The files beside the releases that name patients' or harms' keys, and their text."""
    paths = (
        *(workspace.root / "group.toml", workspace.withdrawn),
        *(workspace.forgotten, workspace.history),
    )
    return {path: path.read_text("utf-8") for path in paths if path.is_file()}


def _left(workspace: Workspace) -> set[str]:
    """Keys on the lists that are not known to be of the present secret; the run record aside."""
    lists = _lists(workspace)
    lists.pop(workspace.history, None)
    wanted = set().union(*map(keys_in, lists.values()))
    known: Translation = translation(workspace, wanted)
    return {key for key in wanted if not known.knows(key)}


def _write_keys(workspace: Workspace) -> None:
    lines = [key.decode() for key in (workspace.key, *workspace.former_keys)]
    content = "".join(f"{line}\n" for line in lines)
    write_whole(key_file(workspace.root), content, mode=0o600, step=Step.KEY)


def _told(workspace: Workspace) -> list[str]:
    path = key_file(workspace.root)
    left = _left(workspace) if len(path.read_text("utf-8").splitlines()) > 1 else []
    lines = [
        f"The group has a new key in {path}: keep it safe and secret. Everything was read and made "
        "again with it, and what was made with the former one was removed.",
    ]
    if left:
        lines.append(
            f"No export tells the ids of {len(left):,} keys in group.toml, withdrawn.json or "
            "forgotten.json: they stay as they are, and the former key "
            "stays in the key file to know them by."
        )
    lines.append(
        "Out of reach, and yours to see to: backups, snapshots and copies of the former key, and "
        "of releases made with it."
    )
    return lines
