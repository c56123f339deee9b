"""What a person, or a program, is told while a command runs."""

import json
import re
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    SpinnerColumn,
    Task,
    TextColumn,
    TimeElapsedColumn,
)
from rich.text import Text

from pipeline.errors import LidcohortError
from pipeline.interruption import raise_if_interrupted

BAR_AFTER_SECONDS = 2.0
UNSEEN = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069]")


@dataclass
class Stage:
    """One stage as it goes: how far it is, then what it did in how many seconds."""

    name: str
    counts: Mapping[str, int] = field(default_factory=dict)
    seconds: float = 0.0
    _bar: Progress | None = None

    def progress(self, done: int, total: int) -> None:
        if self._bar is not None:
            self._bar.update(self._bar.task_ids[0], completed=done, total=total)

    @property
    def line(self) -> str:
        counts = ", ".join(f"{what} {count:,}" for what, count in self.counts.items())
        return f"{self.name:<14} {counts:<56} {self.seconds:7.1f} s"


@dataclass(frozen=True)
class Answer:
    """What a command came to: `lines` for people, `content` for programs, and its exit status."""

    lines: str
    content: Mapping[str, Any]
    exit_status: int = 0


class Voice:
    """Says what happens: lines for people on stdout, or one JSON object there.

    With `as_json` the lines go to stderr. With `quiet` only warnings and errors are said.
    """

    def __init__(self, *, quiet: bool = False, as_json: bool = False) -> None:
        self._lines = Console(stderr=as_json, quiet=quiet, highlight=False, soft_wrap=True)
        self._errors = Console(stderr=True, highlight=False, soft_wrap=True)
        self._as_json = as_json
        self.stages: list[Stage] = []
        self.warnings: list[str] = []

    @contextmanager
    def stage(self, name: str) -> Iterator[Stage]:
        """Show a stage on one live line while it runs, and leave its counts and time behind."""
        began = time.monotonic()
        with self._bar(name) as bar:
            stage = Stage(name, _bar=bar)
            self.stages.append(stage)
            try:
                yield stage
            finally:
                stage.seconds = round(time.monotonic() - began, 3)
                raise_if_interrupted()
        self.say(stage.line)

    def say(self, line: str) -> None:
        self._lines.print(Text(_printable(line)))

    def warn(self, line: str) -> None:
        self.warnings.append(line)
        self._errors.print(Text.assemble(("Warning: ", "yellow"), _printable(line)))

    def answer(self, answer: Answer) -> None:
        if self._as_json:
            self._print_json({"exit_status": answer.exit_status, **answer.content})
        else:
            self.say(answer.lines)

    def fail(self, failure: LidcohortError) -> None:
        self._errors.print(Text.assemble(("Error: ", "bold red"), _printable(str(failure))))
        if self._as_json:
            error = {"what": failure.what, "next_step": failure.next_step}
            self._print_json({"exit_status": failure.exit_status, "error": error})

    def _print_json(self, content: Mapping[str, Any]) -> None:
        stages = [
            {"stage": stage.name, "seconds": stage.seconds, "counts": dict(stage.counts)}
            for stage in self.stages
        ]
        told = {**content, "stages": stages, "warnings": self.warnings}
        print(json.dumps(told, default=str, ensure_ascii=False))

    def _bar(self, name: str) -> Progress:
        bar = Progress(
            SpinnerColumn(),
            TextColumn("{task.description}"),
            _AfterAWhile(BarColumn()),
            _AfterAWhile(MofNCompleteColumn()),
            TimeElapsedColumn(),
            console=self._lines,
            transient=True,
            disable=not self._lines.is_terminal,
        )
        bar.add_task(name, total=None)
        return bar


def _printable(line: str) -> str:
    """A line without what would move a terminal's cursor, hide its text, or turn it about."""
    return UNSEEN.sub("?", line)


class _AfterAWhile(ProgressColumn):
    """A column that stays empty until a stage has taken long enough to be worth a bar."""

    def __init__(self, column: ProgressColumn) -> None:
        super().__init__()
        self._column = column

    def render(self, task: Task) -> Any:
        is_slow = (task.elapsed or 0) >= BAR_AFTER_SECONDS
        return self._column.render(task) if is_slow and task.total else Text()
