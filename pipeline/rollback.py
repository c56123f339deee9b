"""Going back to an older release that is kept, until exports, settings or the program change.

What people were led back from is set aside: a run that comes to the very same release again does
not have people read it, and says so.
"""

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path

from ingest.keys import fingerprint
from pipeline import release as releases
from pipeline.durable import Step, durable_step
from pipeline.errors import ReleaseDamaged, WrongUse, in_short
from pipeline.files import sync, write_whole
from pipeline.history import Run
from pipeline.interruption import heed_no_more
from pipeline.standing import NOTHING_YET, current
from pipeline.verifying import differences, has_digests
from pipeline.voice import Answer, Voice
from pipeline.workspace import Release, Workspace


@dataclass(frozen=True)
class Rollback:
    """That people were led back to the release `read` on the day `since`, and from which ones."""

    read: str
    since: str
    aside: tuple[str, ...]


def roll_back(workspace: Workspace, name: str | None, voice: Voice, run: Run) -> Answer:
    """Have people read an older release, or the one of this name, once it is proved whole.

    The caller holds the workspace, and records what `run` comes to.

    Raises:
        WrongUse: there is no such release, or it was made with another key.
        ReleaseDamaged: it is not as its manifest says.
    """
    published = current(workspace.root)
    if published is None:
        raise WrongUse(NOTHING_YET, f"`lidcohort run --workspace {workspace.root}` publishes.")
    kept = releases.newest_first(workspace)
    target = _named(kept, name) if name else _before(kept, published)
    run.release, run.outcome = target.name, "read_already"
    if target != published:
        _refuse_another_key(workspace, target)
        _refuse_damaged(workspace, target, voice)
        _lead_back(workspace, kept, published, target)
        run.outcome = "rolled_back"
    return _answer(workspace, published, target, run.outcome)


def in_force(workspace: Workspace) -> Rollback | None:
    """The rollback that led to what people read now, if one did."""
    if not workspace.rolled_back.is_file():
        return None
    kept = json.loads(workspace.rolled_back.read_text("utf-8"))
    rollback = Rollback(kept["read"], kept["since"], tuple(kept["aside"]))
    published = current(workspace.root)
    return rollback if published is not None and published.name == rollback.read else None


def end(workspace: Workspace) -> None:
    """Set nothing aside any more."""
    if workspace.rolled_back.exists():
        durable_step(Step.ROLLED_BACK)
        workspace.rolled_back.unlink()
        sync(workspace.root)


def carry_over(workspace: Workspace, release: Release) -> None:
    """Keep a rollback in force where what it leads to is made again under another name."""
    if rollback := in_force(workspace):
        _write(workspace, Rollback(release.name, rollback.since, rollback.aside))


def in_words(rollback: Rollback) -> str:
    """Since when people read an older release, and what was set aside for it."""
    return f"people read {rollback.read} since {rollback.since}; set aside: " + in_short(
        rollback.aside
    )


def _named(kept: Iterable[Path], name: str) -> Path:
    by_name = {root.name: root for root in kept}
    if name not in by_name:
        raise WrongUse(f"{name} is no release that is kept.", f"Kept are {in_short([*by_name])}.")
    return by_name[name]


def _before(kept: list[Path], published: Path) -> Path:
    older = kept[kept.index(published) + 1 :] if published in kept else []
    if not older:
        raise WrongUse(
            f"No release older than {published.name} is kept.",
            f"Kept are {in_short([root.name for root in kept])}: name the one you mean.",
        )
    return older[0]


def _refuse_another_key(workspace: Workspace, target: Path) -> None:
    made_with = (releases.read_manifest(target) or {}).get(releases.KEY_FINGERPRINT)
    if made_with != fingerprint(workspace.key):
        raise WrongUse(
            f"{target.name} was made with another key than the group's.",
            "Patients have other keys in it: name a release that was made with this one.",
        )


def _refuse_damaged(workspace: Workspace, target: Path, voice: Voice) -> None:
    if not has_digests(target):
        voice.warn(f"{target.name} was made before manifests held digests: it cannot be proved.")
        return
    found = differences(Release(target, workspace.settings, date.min), voice, thorough=False)
    if found:
        raise ReleaseDamaged(
            f"{target.name} is not as its manifest says: {in_short(found, 3)}.",
            "Name another release, or put this one back from a backup.",
        )


def _lead_back(workspace: Workspace, kept: list[Path], published: Path, target: Path) -> None:
    """The list first: it binds nobody until `current` leads where it says."""
    newer = [root.name for root in kept[: kept.index(target)]]
    before = in_force(workspace)
    left = {published.name, *(before.aside if before else ())}
    aside = tuple(name for name in newer if name in left)
    heed_no_more()
    if aside:
        _write(workspace, Rollback(target.name, date.today().isoformat(), aside))
    releases.switch(workspace, Release(target, workspace.settings, date.min))
    if not aside:
        end(workspace)


def _write(workspace: Workspace, rollback: Rollback) -> None:
    content = json.dumps(asdict(rollback), indent=2) + "\n"
    write_whole(workspace.rolled_back, content, step=Step.ROLLED_BACK)


def _answer(workspace: Workspace, published: Path, target: Path, outcome: str) -> Answer:
    rollback = in_force(workspace)
    aside = list(rollback.aside) if rollback else []
    lines = [
        f"People read {target.name} now; before they read {published.name}."
        if outcome == "rolled_back"
        else f"People read {target.name} already.",
        *(
            [
                f"Set aside: {in_short(aside)}. `lidcohort run` does not bring back what is set "
                "aside: it publishes again once exports, settings or the program have changed.",
                f"Back again: `lidcohort rollback {aside[0]} --workspace {workspace.root}`.",
            ]
            if aside
            else []
        ),
        f"Start page: {workspace.current / releases.START_PAGE}",
    ]
    return Answer(
        "\n".join(lines),
        {"outcome": outcome, "release": target.name, "before": published.name, "aside": aside},
    )
