"""The ways a run may end at a durable step, and what a power cut at the switch would lose."""

import errno
import os
import signal
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pipeline import durable
from pipeline import release as releases
from pipeline.durable import Step

SIGNALS = {
    "kill": signal.SIGKILL,
    "terminate": signal.SIGTERM,
    "ctrl_c": signal.SIGINT,
}
FAULTS = {  # the error, and whether it stays: a disk that is full stays so, a bad sector need not
    "full_disk": (errno.ENOSPC, True),
    "io_error": (errno.EIO, False),
    "read_only": (errno.EROFS, True),
    "no_permission": (errno.EACCES, True),
}
# Here dbt's own threads are at work, into which nothing can be raised.
NO_FAULT_AT = frozenset({Step.MODEL})
SYNCED: dict[int, int] = {}  # inode -> when it was put on the disk, in ns


def arm(log: Path, folder: Path, ending: dict | None, *, clock: bool) -> None:
    """Have every step written to `log`, and the run end as told.

    Args:
        log: one line for each step that was reached; one more for each file that a power cut at
            the switch would lose.
        folder: holds the workspace.
        ending: `how` it ends and `at` which step, counted from 1; None to let it survive.
        clock: whether every look at the clock finds it set back by a day.
    """
    count, one_at_a_time = 0, threading.Lock()
    written = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_APPEND, 0o600)
    end = _ending(ending)
    _record_syncs()
    if clock:
        _set_the_clock_back()

    def reached(step: Step) -> None:
        nonlocal count
        with one_at_a_time:
            count += 1
            number = count
        os.write(written, f"step {step}\n".encode())
        if step is Step.SWITCH:
            for path in lost_by_a_power_cut(folder):
                os.write(written, f"lost {path}\n".encode())
        end(number, step)

    durable.before_each = reached


def lost_by_a_power_cut(folder: Path) -> list[str]:
    """What lies in complete releases under a folder, and was changed since it was synced."""
    complete = [manifest.parent for manifest in folder.glob("*/releases/*/manifest.json")]
    return [
        str(path.relative_to(folder))
        for release in complete
        for path in (release.parent, release, *release.rglob("*"))
        if path.stat().st_mtime_ns > SYNCED.get(path.stat().st_ino, OLD)
    ]


OLD = 0  # when a release from before this process counts as synced; set by `_record_syncs`


def _record_syncs() -> None:
    global OLD
    OLD = _now_of_files()
    to_the_disk = os.fsync

    def fsync(descriptor: int) -> None:
        to_the_disk(descriptor)
        seen = os.fstat(descriptor)
        SYNCED[seen.st_ino] = max(OLD, seen.st_mtime_ns)

    os.fsync = fsync


def _now_of_files() -> int:
    """The time as files get it, which lags behind the clock by up to a tick."""
    return int(datetime.now(UTC).timestamp() * 1e9) - 20_000_000


def _ending(ending: dict | None) -> Callable[[int, Step], None]:
    if ending is None:
        return lambda number, step: None
    how, at = ending["how"], ending["at"]
    if how in SIGNALS:

        def send(number: int, step: Step) -> None:
            if number == at:
                os.kill(os.getpid(), SIGNALS[how])

        return send
    code, stays = FAULTS[how]

    def fail(number: int, step: Step) -> None:
        if (number == at or (stays and number > at)) and step not in NO_FAULT_AT:
            raise OSError(code, os.strerror(code))

    return fail


def _set_the_clock_back() -> None:
    looks = 0

    class Clock(datetime):
        @classmethod
        def now(cls, tz=None):  # type: ignore[override]
            nonlocal looks
            looks += 1
            return datetime.now(tz) - timedelta(days=looks)

    for module in (releases, __import__("pipeline.history", fromlist=["history"])):
        module.datetime = Clock
