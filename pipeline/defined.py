"""A group's own definitions as it keeps them, as the current release has them, and what differs."""

from collections.abc import Mapping
from typing import Any

from models.definitions import read_definitions, told
from pipeline import release as releases
from pipeline.standing import current
from pipeline.workspace import Workspace

BUILT = "in the current release"

Contents = Mapping[str, Any]


def read_kept(workspace: Workspace) -> Contents:
    """What each definition in `definitions/` says, by name.

    Raises:
        WrongUse: a file there cannot be used as it stands.
    """
    return told(read_definitions(workspace))


def read_built(workspace: Workspace) -> Contents:
    """What each definition says that the current release was made with, by name."""
    root = current(workspace.root)
    manifest = releases.read_manifest(root) if root else None
    found: Contents = (manifest or {}).get(releases.DEFINITIONS, {})
    return found


def states(kept: Contents, built: Contents) -> dict[str, str]:
    """Of each definition, whether the current release has it or what the next run does."""
    return {name: _state(kept.get(name), built.get(name)) for name in sorted({*kept, *built})}


def waiting(workspace: Workspace) -> dict[str, str]:
    """Those of `states` about which the next run does something.

    Raises:
        WrongUse: a file in `definitions/` cannot be used as it stands.
    """
    found = states(read_kept(workspace), read_built(workspace))
    return {name: state for name, state in found.items() if state != BUILT}


def _state(kept: Mapping[str, Any] | None, built: Mapping[str, Any] | None) -> str:
    if kept is None:
        return "taken away, gone with the next run"
    if built is None:
        return "built by the next run"
    return BUILT if kept == built else "changed, built anew by the next run"
