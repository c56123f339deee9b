"""Writing that a crash cannot leave half done."""

import errno
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.durable import Step, durable_step

PRIVATE = 0o700
TO_OTHERS = 0o077
NO_HARD_LINKS = frozenset({errno.EXDEV, errno.EPERM, errno.EMLINK, errno.ENOTSUP, errno.ENOSYS})


def write_whole(
    path: Path, content: str | bytes, *, mode: int = 0o666, step: Step = Step.FILE
) -> None:
    """Write a file, there whole or not at all even after a power cut; text is written as UTF-8."""
    unfinished = path.with_name(f".{path.name}.unfinished")
    unfinished.unlink(missing_ok=True)
    unfinished.touch(mode, exist_ok=False)
    try:
        with unfinished.open("wb") as file:
            file.write(content.encode() if isinstance(content, str) else content)
            file.flush()
            os.fsync(file.fileno())
        durable_step(step)
        unfinished.replace(path)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise
    sync(path.parent)


def sync(path: Path) -> None:
    """Have the operating system put a file or a folder's list of names on the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_tree(folder: Path) -> None:
    """`sync` everything in a folder, then the folder itself."""
    durable_step(Step.SYNC)
    for inside in sorted(folder.rglob("*")):
        sync(inside)
    sync(folder)


@contextmanager
def for_the_owner_only() -> Iterator[None]:
    """Within, whatever is written can be read by nobody else on the machine."""
    before = os.umask(TO_OTHERS)
    try:
        yield
    finally:
        os.umask(before)


def private_folder(path: Path) -> Path:
    """Make a folder that only its owner may enter, or make an existing one so."""
    path.mkdir(mode=PRIVATE, exist_ok=True)
    path.chmod(PRIVATE)
    return path


def link_or_copy(source: Path, target: Path) -> None:
    """A hard link, or a copy where the file system has none."""
    target.parent.mkdir(parents=True, exist_ok=True)
    durable_step(Step.LINK)
    try:
        target.hardlink_to(source)
    except OSError as error:
        if error.errno not in NO_HARD_LINKS:
            raise
        shutil.copyfile(source, target)


def point(link: Path, target: Path) -> None:
    """Make `link` a relative symbolic link to `target`, in one step that cannot half happen."""
    unfinished = link.with_name(f".{link.name}.unfinished")
    unfinished.unlink(missing_ok=True)
    unfinished.symlink_to(target.relative_to(link.parent))
    durable_step(Step.SWITCH)
    unfinished.replace(link)
    sync(link.parent)
