"""Where a file lies that somebody takes away from the workspace: beside it, never in it."""

from pathlib import Path

from pipeline.errors import WrongUse


def outside(root: Path, named: Path | None, otherwise: str) -> Path:
    """The place that was named, or else one beside the workspace, as its key lies beside it.

    What lies in a workspace is kept, linked and read by others, and what `forget` erases there must
    not go on in a copy.

    Args:
        root: the workspace's folder.
        named: what the command line says, if it does.
        otherwise: what the place's name begins with after the workspace's name.

    Raises:
        WrongUse: it lies in the workspace, or in a folder that is not there.
    """
    root = root.resolve()
    place = root.with_name(f"{root.name}.{otherwise}") if named is None else named
    folder = place.parent.resolve()
    if not folder.is_dir():
        raise WrongUse(f"{folder} is no folder.", "Make it, or name another one with --out.")
    place = folder / place.name
    if place.resolve().is_relative_to(root):
        raise WrongUse(
            f"{place} lies in the workspace, where others read.",
            "Name a place outside it with --out, or leave --out away.",
        )
    return place


def new_file(root: Path, named: Path | None, otherwise: str, *, replace: bool) -> Path:
    """As `outside`, for a file that is not there yet, unless it may be replaced.

    Raises:
        WrongUse: also where it is a folder, or is there already.
    """
    place = outside(root, named, otherwise)
    if place.is_dir():
        raise WrongUse(f"{place} is a folder.", "Name a file with --out.")
    if place.exists() and not replace:
        raise WrongUse(
            f"{place} is there already.",
            "Name another file with --out, remove it, or say --replace.",
        )
    return place
