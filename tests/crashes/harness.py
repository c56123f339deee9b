"""Runs a command until it survives, ended at each durable step in turn, and looks at what is left.

After each ending `current` is wholly the old or wholly the new release, every release that counts
as complete is to the byte what its manifest says, nothing older was lost before the new one is
read, and doing the same again leads to what an undisturbed run leads to.
"""

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

from pipeline.workspace import key_file

PROJECT = Path(__file__).parents[2]
ONE_LINE_AT_MOST = 1


class NotProtected(AssertionError):
    """An ending left something that it must not."""


@dataclass
class Server:
    """The process in whose forks commands run; `folder` takes what they print."""

    process: subprocess.Popen[str]
    folder: Path

    @classmethod
    @contextmanager
    def started(cls) -> Iterator[Self]:
        with tempfile.TemporaryDirectory(prefix="crashes-") as folder:
            command = [sys.executable, "-m", "tests.crashes.server"]
            environment = {**os.environ, "PYTHONPATH": str(PROJECT)}
            pipe = subprocess.PIPE
            with subprocess.Popen(
                command, stdin=pipe, stdout=pipe, text=True, cwd=PROJECT, env=environment
            ) as process:
                json.loads(process.stdout.readline())
                try:
                    yield cls(process, Path(folder))
                finally:
                    process.stdin.close()

    def ask(self, do: str, **how: Any) -> tuple[dict[str, Any], str]:
        """Have something done in a fork: how it ended, and what it printed."""
        output = self.folder / how.pop("output", "output")
        self.process.stdin.write(json.dumps({"do": do, "output": str(output), **how}) + "\n")
        self.process.stdin.flush()
        told = json.loads(self.process.stdout.readline())
        return told, "" if how.get("in_background") else output.read_text()


@dataclass(frozen=True)
class Ended:
    """A run: its exit status (below 0: the signal that killed it), output, and steps reached."""

    status: int
    output: str
    steps: tuple[str, ...]
    lost: tuple[str, ...]


@dataclass(frozen=True)
class Scenario:
    """A workspace before a command, the command, and what leads on after it was cut short."""

    name: str
    before: Path
    command: tuple[str, ...]
    then: tuple[tuple[str, ...], ...] = (("run",),)
    status: int = 0  # of the undisturbed command
    stages: str = "quick"
    warehouse: Path | None = None


@dataclass
class Figures:
    """What a survey has seen, over all its scenarios."""

    steps: Counter[str] = field(default_factory=Counter)
    endings: Counter[str] = field(default_factory=Counter)


def run(
    server: Server, scenario: Scenario, root: Path, command: tuple[str, ...], **how: Any
) -> Ended:
    """Run one command on a workspace in a fork."""
    log = root.parent / "steps"
    first, *rest = command
    place = rest if first in ("new", "map") else [*rest, "--workspace", str(root)]
    told, output = server.ask(
        "run",
        arguments=[first, *(part.format(root=root) for part in place), "--quiet"],
        stages=scenario.stages,
        warehouse=str(scenario.warehouse) if scenario.warehouse else None,
        steps=str(log),
        **how,
    )
    lines = [line.partition(" ") for line in log.read_text().splitlines()]
    return Ended(
        told["status"],
        output,
        tuple(rest for word, _, rest in lines if word == "step"),
        tuple(rest for word, _, rest in lines if word == "lost"),
    )


def inspected(server: Server, scenario: Scenario, root: Path) -> dict[str, Any]:
    """What `inspection.faults` finds, in a fork."""
    with_gate = scenario.stages != "quick"
    told, output = server.ask("inspect", root=str(root), with_gate=with_gate)
    if told["status"] != 0:
        raise NotProtected(f"the workspace cannot be looked at: {output}")
    return json.loads(output.splitlines()[-1])


@contextmanager
def copied(before: Path) -> Iterator[Path]:
    """A copy of a workspace and its key, in the same place each time, that may be spoiled.

    The place is part of what is built: views name it. Hard links stay links.
    """
    folder = before.parent / "spoiled"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    root = folder / "group"
    if before.exists():
        subprocess.run(["cp", "-a", str(before), str(root)], check=True)
    if key_file(before).exists():
        shutil.copy(key_file(before), key_file(root))
    yield root
    shutil.rmtree(folder)


@dataclass(frozen=True)
class Reference:
    """A scenario undisturbed: the steps it takes, and how the workspace stands around it."""

    steps: tuple[str, ...]
    old: dict[str, Any]
    new: dict[str, Any]
    final: dict[str, Any]


def reference(server: Server, scenario: Scenario) -> Reference:
    """Run a scenario undisturbed."""
    with copied(scenario.before) as root:
        old = inspected(server, scenario, root)
        ended = run(server, scenario, root, scenario.command)
        if ended.status != scenario.status:
            raise NotProtected(f"{scenario.name}: {ended.output}")
        if ended.lost:
            raise NotProtected(f"{scenario.name}: a power cut would lose {ended.lost[:3]}")
        new = inspected(server, scenario, root)
        _lead_on(server, scenario, root)
        final = inspected(server, scenario, root)
    for seen in (old, new, final):
        if seen["faults"]:
            raise NotProtected(f"{scenario.name}, undisturbed: {seen['faults']}")
    return Reference(ended.steps, old, new, final)


def survey(
    server: Server,
    scenario: Scenario,
    how: str,
    figures: Figures,
    at: Iterable[int] | None = None,
    **more: Any,
) -> None:
    """End a scenario's command at each step (or those in `at`), and look at what is left.

    Without `at`: at the first step, the second, and so on until a run survives.

    Raises:
        NotProtected: something was left that must not be, or what was left leads elsewhere.
    """
    undisturbed = reference(server, scenario)
    numbers = range(1, 100_000) if at is None else at
    for number in numbers:
        with copied(scenario.before) as root:
            ended = run(
                server, scenario, root, scenario.command, ending={"how": how, "at": number}, **more
            )
            survived = len(ended.steps) < number
            place = f"{scenario.name}, {how} at step {number} ({ended.steps[-1]})"
            _prove_ending(place, how, ended, survived, scenario.status)
            if not survived:
                figures.steps[ended.steps[number - 1]] += 1
                figures.endings[how] += 1
            _prove_left(place, inspected(server, scenario, root), undisturbed)
            _lead_on(server, scenario, root)
            found = inspected(server, scenario, root)
            if found["faults"] or found["kept"] != undisturbed.final["kept"]:
                other = _other(found["kept"], undisturbed.final["kept"])
                raise NotProtected(f"{place}: leads elsewhere: {found['faults'] or other}")
        if survived:
            return


def _lead_on(server: Server, scenario: Scenario, root: Path) -> None:
    for command in (scenario.command, *scenario.then):
        run(server, scenario, root, command)


def _prove_ending(place: str, how: str, ended: Ended, survived: bool, status: int) -> None:
    if ended.lost:
        raise NotProtected(f"{place}: a power cut would lose {ended.lost[:3]}")
    if how == "kill":
        if not survived and ended.status != -9:
            raise NotProtected(f"{place}: was not killed: {ended.status} {ended.output}")
        return
    if survived and ended.status != status:
        raise NotProtected(f"{place}: ended with {ended.status}: {ended.output}")
    if ended.status not in (0, 1, status):
        raise NotProtected(f"{place}: ended with {ended.status}: {ended.output}")
    errors = [line for line in ended.output.splitlines() if not line.startswith("Warning: ")]
    if ended.status == 1 and (
        len(errors) != ONE_LINE_AT_MOST or "Something went wrong that should not" in errors[0]
    ):
        raise NotProtected(f"{place}: said {ended.output!r}")


def _prove_left(place: str, left: dict[str, Any], undisturbed: Reference) -> None:
    if left["faults"]:
        raise NotProtected(f"{place}: {left['faults'][:3]}")
    if left["current"] not in (undisturbed.old["current"], undisturbed.new["current"]):
        raise NotProtected(f"{place}: people read {left['current']}")
    is_old = left["current"] == undisturbed.old["current"] != undisturbed.new["current"]
    gone = set(undisturbed.old["complete"]) - set(left["complete"])
    if is_old and gone:
        raise NotProtected(f"{place}: {sorted(gone)} went before the new release was read")


def _other(found: dict[str, str], meant: dict[str, str]) -> list[str]:
    names = {*found, *meant}
    return sorted(name for name in names if found.get(name) != meant.get(name))[:5]
