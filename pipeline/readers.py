"""Who reads a release: it is not removed for its age as long as somebody does.

Readers of this program hold a shared lock on the release's folder (`reading`). Of strangers only
traces can be seen: the lock that DuckDB holds on a database it has open, and, where the system has
a /proc, files that a process on this machine has open, mapped or stands in. Not seen are processes
of other users unless one is root, and files other than the warehouse that another machine has open.
A release that people could just have found through `current` is never pruned by the run that
replaces it, since at least one other release is kept.
"""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from pipeline.errors import WrongUse
from pipeline.seal import MANIFEST_FILE, WAREHOUSE_FILE
from pipeline.standing import NOTHING_YET, current

PROCESSES = Path("/proc")
TRIES = 100  # of which each fails only where `current` was switched and the old release pruned


@contextmanager
def reading(root: Path) -> Iterator[Path]:
    """The release of a workspace that people read, held: what is read in it is of one release.

    Raises:
        WrongUse: nothing has been published yet.
    """
    for _ in range(TRIES):
        release = current(root)
        if release is None:
            break
        with held(release) as is_there:
            if is_there:
                yield release
                return
    raise WrongUse(NOTHING_YET, f"`lidcohort run --workspace {root}` publishes.")


@contextmanager
def held(release: Path) -> Iterator[bool]:
    """Hold a release, so that it is not pruned; whether it is there whole."""
    with _locked(release, fcntl.LOCK_SH) as is_ours:
        yield is_ours and (release / MANIFEST_FILE).is_file()


@contextmanager
def unread(release: Path) -> Iterator[bool]:
    """Keep new readers off a release; whether nobody reads it."""
    with _locked(release, fcntl.LOCK_EX) as is_ours:
        yield is_ours and not has_strangers(release)


def has_strangers(release: Path) -> bool:
    """Whether a process that does not hold the release by its lock has something of it open."""
    return _is_locked(release / WAREHOUSE_FILE) or _is_open(release.resolve())


@contextmanager
def _locked(folder: Path, kind: int) -> Iterator[bool]:
    """Lock a folder at once or not at all; not where it is gone, or another one in its place."""
    try:
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    except (FileNotFoundError, NotADirectoryError):
        yield False
        return
    try:
        yield _take(descriptor, kind) and _is_still(folder, descriptor)
    finally:
        os.close(descriptor)


def _take(descriptor: int, kind: int) -> bool:
    try:
        fcntl.flock(descriptor, kind | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a file system without locks on folders: traces must do
        return True
    return True


def _is_still(folder: Path, descriptor: int) -> bool:
    try:
        return os.path.samestat(folder.stat(), os.fstat(descriptor))
    except FileNotFoundError:
        return False


def _is_locked(database: Path) -> bool:
    """Whether another process has the database open: DuckDB locks it, to read as to write."""
    try:
        with database.open("r+b") as file:
            fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:  # no such file, or no locks here
        return False
    return False


def _is_open(release: Path) -> bool:
    """Whether another process on this machine has a file of the release open, or stands in it."""
    inside = f"{release}{os.sep}"
    own = str(os.getpid())
    return any(
        f"{place}{os.sep}".startswith(inside)
        for process in PROCESSES.glob("[0-9]*")
        if process.name != own
        for place in _places(process)
    )


def _places(process: Path) -> Iterator[str]:
    """Where a process has its files, its mapped files and itself; nothing of another user's."""
    with suppress(OSError):
        yield str((process / "cwd").readlink())
    with suppress(OSError):
        for descriptor in (process / "fd").iterdir():
            with suppress(OSError):
                yield str(descriptor.readlink())
    with suppress(OSError):
        for line in (process / "maps").read_text("utf-8", "surrogateescape").splitlines():
            _, found, path = line.partition("/")
            yield found + path
