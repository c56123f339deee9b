"""The run record: one JSON line for each command that held the workspace.

It holds no value of an export, and no patient's number: of an unexpected error where these are
seen, only its type and its place.
"""

import json
import os
import time
import traceback
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import IO, Any

from pipeline.durable import Step, durable_step
from pipeline.errors import DataRefused, LidcohortError, in_words
from pipeline.files import write_whole
from pipeline.interruption import behind, heed_no_more
from pipeline.voice import Voice
from pipeline.workspace import Workspace

STAGES_THAT_SEE_EXPORTS = frozenset({"ingest", "forget", "reveal"})
COMMANDS_THAT_CHANGE_NOTHING = frozenset({"reveal"})  # so the run before them still is the last
KEPT_RECORDS = 1000
ENDED_BADLY = frozenset({"failed", "interrupted", "refused"})


@dataclass
class Run:
    """One command under way: what it has come to so far."""

    outcome: str = "failed"
    release: str | None = None


@contextmanager
def recorded(workspace: Workspace, command: str, voice: Voice) -> Iterator[Run]:
    """Write down how a command ends, and turn whatever ends it badly into one clear line.

    Raises:
        LidcohortError: for any error at all.
    """
    run = Run()
    began, clock = datetime.now(UTC).isoformat(timespec="seconds"), time.monotonic()
    fault: dict[str, Any] = {}
    try:
        yield run
    except BaseException as raised:
        heed_no_more()
        error = behind(raised)
        failure = in_words(error, f"Where it happened is in {workspace.history}.")
        run.outcome = _outcome(error)
        stage = voice.stages[-1].name if voice.stages else None
        fault = {"stage": stage, "what": failure.what, "next_step": failure.next_step}
        if not isinstance(error, LidcohortError):
            fault |= _place(error, with_words=stage not in STAGES_THAT_SEE_EXPORTS)
        if failure is raised:
            raise
        raise failure from raised
    finally:
        record = {
            "command": command,
            "began": began,
            "seconds": round(time.monotonic() - clock, 3),
            "outcome": run.outcome,
            "release": run.release,
            "stages": {stage.name: stage.seconds for stage in voice.stages},
            **fault,
        }
        with suppress(OSError):  # a full disk must not hide what went wrong
            _append(workspace, record)


def last_failure(workspace: Workspace) -> dict[str, Any] | None:
    """The newest run's record if it ended badly; whatever only read the workspace is no run."""
    if not workspace.history.is_file():
        return None
    newest: dict[str, Any] = {}
    for line in workspace.history.read_text("utf-8").splitlines():
        with suppress(ValueError):  # a line torn by a full disk tells nothing
            record = json.loads(line)
            if record.get("command") not in COMMANDS_THAT_CHANGE_NOTHING:
                newest = record
    return newest if newest.get("outcome") in ENDED_BADLY else None


def shorten(workspace: Workspace) -> None:
    """Keep the newest records only."""
    if not workspace.history.is_file():
        return
    lines = workspace.history.read_text("utf-8").splitlines(keepends=True)
    if len(lines) > KEPT_RECORDS:
        write_whole(workspace.history, "".join(lines[-KEPT_RECORDS:]), step=Step.SHORTENED_RECORD)


def _outcome(error: BaseException) -> str:
    if isinstance(error, KeyboardInterrupt):
        return "interrupted"
    return "refused" if isinstance(error, DataRefused) else "failed"


def _append(workspace: Workspace, record: dict[str, Any]) -> None:
    durable_step(Step.RECORD)
    with workspace.history.open("a+b") as file:
        is_torn = file.tell() > 0 and not _ends_a_line(file)
        line = ("\n" if is_torn else "") + json.dumps(record, ensure_ascii=False) + "\n"
        file.write(line.encode())


def _ends_a_line(file: IO[bytes]) -> bool:
    file.seek(-1, os.SEEK_END)
    return file.read() == b"\n"


def _place(error: BaseException, *, with_words: bool) -> dict[str, Any]:
    frames = traceback.extract_tb(error.__traceback__)
    return {
        "error": f"{type(error).__name__}: {error}" if with_words else type(error).__name__,
        "frames": [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in frames],
    }
