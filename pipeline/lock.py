"""One run at a time in a workspace; its name stays in the lock if it is killed."""

import fcntl
import json
import os
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO

from pipeline.durable import Step, durable_step
from pipeline.errors import WorkspaceBusy

A_LOOK_SECONDS = 1.0  # longer than `holder` takes to look, shorter than any run
BETWEEN_TRIES_SECONDS = 0.02


@dataclass(frozen=True)
class Holder:
    """The run that a lock names: it holds the lock now, or it was killed while it did."""

    pid: int
    host: str
    since: str
    is_running: bool

    def __str__(self) -> str:
        return f"process {self.pid} on {self.host}, since {self.since}"


@contextmanager
def hold(lock: Path) -> Iterator[None]:
    """Hold a lock file, which names its holder; the system lets go of it when a run dies.

    The file stays: unlinking it would let two runs hold two files of one name. It is emptied when
    a run ends by itself, so that a name in a lock which nobody holds is that of a killed run.

    Raises:
        WorkspaceBusy: another run holds it.
    """
    with lock.open("a+", encoding="utf-8") as file:
        if not _taken(file):
            who = _named(lock, is_running=True) or f"it has not named itself in {lock} yet"
            raise WorkspaceBusy(
                f"Another run holds this workspace: {who}.",
                "Wait until it is done, or end it, then run again.",
            )
        try:
            _name_holder(lock)
            yield
        finally:
            file.truncate(0)


def holder(lock: Path) -> Holder | None:
    """Who holds a lock now, or was killed while holding it; None after an orderly end."""
    if not lock.is_file():
        return None
    with lock.open(encoding="utf-8") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return _named(lock, is_running=True)
        return _named(lock, is_running=False)


def _taken(file: IO[str]) -> bool:
    """Whether the lock is ours now; who only looks at it, as `status` does, soon lets go."""
    until = time.monotonic() + A_LOOK_SECONDS
    while True:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() >= until:
                return False
            time.sleep(BETWEEN_TRIES_SECONDS)
        else:
            return True


def _name_holder(lock: Path) -> None:
    durable_step(Step.LOCK)
    holder = {
        "pid": os.getpid(),
        "host": socket.gethostname(),
        "since": datetime.now().astimezone().isoformat(timespec="seconds"),
    }
    lock.write_text(json.dumps(holder) + "\n", encoding="utf-8")


def _named(lock: Path, *, is_running: bool) -> Holder | None:
    try:
        named = json.loads(lock.read_text(encoding="utf-8"))
        return Holder(named["pid"], named["host"], named["since"], is_running)
    except (ValueError, KeyError, TypeError):
        return None
