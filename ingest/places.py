"""Whether what a batch's folder holds under an export's name is a file that may be read."""

import os
import re
import stat
from pathlib import Path

from pipeline.errors import WrongUse

UNPRINTABLE = re.compile(
    r"[\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]"
)
UP_TO_EXPORTS = 2  # exports/<site>/<batch>/<file>


def place_fault(path: Path) -> str | None:
    """Why an entry of a batch's folder is no file to read, or None; it is not opened for that.

    Raises:
        WrongUse: the system does not say what it is.
    """
    if UNPRINTABLE.search(path.name):
        return "Its name holds a line break or another character that cannot be seen; rename it."
    if path.is_symlink() and not path.exists():
        return "It is a link that leads nowhere; put the file itself there."
    exports = path.parents[UP_TO_EXPORTS]
    place = path.resolve()
    if not any(place.is_relative_to(folder.resolve()) for folder in (exports, exports.parent)):
        return "It is a link that leads out of the workspace; put the file itself there."
    try:
        mode = path.stat().st_mode
    except OSError as error:
        raise cannot_be_read(path, error) from None
    if stat.S_ISDIR(mode):
        return "It is a folder, not a file; remove it or rename it."
    if not stat.S_ISREG(mode):
        return "It is a pipe or a device, not a file; remove it."
    return None


def cannot_be_read(path: Path, error: OSError) -> WrongUse:
    """What the system does not hand over today may be whole tomorrow: no file is refused for it."""
    return WrongUse(
        f"{path} cannot be read: {os.strerror(error.errno or 0)}.",
        "Give the right to read it, or see to the disk, and run again.",
    )


def shown_name(path: Path) -> str:
    """A file's name in one line, whatever characters it holds."""
    return UNPRINTABLE.sub("?", path.name)


def size_of(path: Path) -> int:
    """A file's length in bytes; 0 of what is no file."""
    return path.stat().st_size if path.is_file() else 0
