"""What people read now: said with whatever ends a run without publishing."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import LidcohortError, WrongUse, in_words
from pipeline.interruption import behind, heed_no_more, raise_if_interrupted
from pipeline.workspace import current_link, releases_folder

NOTHING_YET = "Nothing has been published yet."


def current(root: Path) -> Path | None:
    """The release of a workspace that people read, if there is one.

    Raises:
        WrongUse: something that is no link stands in its place.
    """
    link = current_link(root)
    if link.is_symlink():
        release = releases_folder(root) / link.readlink().name
        return release if release.is_dir() else None
    if link.exists():
        raise WrongUse(f"{link} is no link to a release.", "Move it away and run again.")
    return None


@contextmanager
def told(root: Path) -> Iterator[None]:
    """Turn whatever ends a run into one clear line that also says what people read.

    Raises:
        LidcohortError: for any error at all.
    """
    try:
        raise_if_interrupted()
        yield
    except BaseException as error:
        heed_no_more()
        failure = in_words(behind(error))
        next_step = " ".join([failure.next_step, *_in_words(root)])
        raise type(failure)(failure.what, next_step) from error


def _in_words(root: Path) -> list[str]:
    """One sentence; none where there is no workspace, or no telling what people read."""
    if not root.is_dir():
        return []
    try:
        release = current(root)
    except LidcohortError:
        return []
    return [f"People still read {release.name}." if release else NOTHING_YET]
