"""One run at a time in a workspace."""

import fcntl
import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from pipeline.errors import WorkspaceBusy


@contextmanager
def hold(lock: Path) -> Iterator[None]:
    """Hold a lock file, which names its holder; the system lets go of it when a run dies.

    The file stays: unlinking it would let two runs hold two files of one name.

    Raises:
        WorkspaceBusy: another run holds it.
    """
    with lock.open("a+", encoding="utf-8") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise WorkspaceBusy(
                f"Another run holds this workspace: {_holder(lock)}.",
                "Wait until it is done, or end it, then run again.",
            ) from None
        _name_holder(lock)
        yield


def _name_holder(lock: Path) -> None:
    holder = {
        "pid": os.getpid(),
        "host": socket.gethostname(),
        "since": datetime.now().astimezone().isoformat(timespec="seconds"),
    }
    lock.write_text(json.dumps(holder) + "\n", encoding="utf-8")


def _holder(lock: Path) -> str:
    try:
        holder = json.loads(lock.read_text(encoding="utf-8"))
        return f"process {holder['pid']} on {holder['host']}, since {holder['since']}"
    except (ValueError, KeyError, TypeError):
        return f"it has not named itself in {lock} yet"
