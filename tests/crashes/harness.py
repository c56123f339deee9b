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
from tests.crashes import inspection

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
        output.touch()
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


def one_of_each(steps: Iterable[str], *names: str) -> list[int]:
    """The first and the last number of each step's name, or of these names, counted from 1."""
    numbered: dict[str, list[int]] = {}
    for number, step in enumerate(steps, start=1):
        numbered.setdefault(step, []).append(number)
    chosen = names or tuple(numbered)
    return sorted({ends for name in chosen for ends in (numbered[name][0], numbered[name][-1])})


def run(
    server: Server,
    scenario: Scenario,
    root: Path,
    command: tuple[str, ...],
    log: Path | None = None,
    **how: Any,
) -> Ended:
    """Run one command on a workspace in a fork; what it reaches is written to `log`."""
    log = log or root.parent / "steps"
    told, output = server.ask(
        "run",
        arguments=_line(command, root),
        stages=scenario.stages,
        warehouse=str(scenario.warehouse) if scenario.warehouse else None,
        steps=str(log),
        folder=str(root.parent),
        **how,
    )
    lines = [line.partition(" ") for line in log.read_text().splitlines()]
    return Ended(
        told["status"],
        output,
        tuple(rest for word, _, rest in lines if word == "step"),
        tuple(rest for word, _, rest in lines if word == "lost"),
    )


def inspected(
    server: Server, scenario: Scenario, root: Path, *, leading_on: bool = False
) -> list[dict[str, Any]]:
    """What `inspection.faults` finds, in a fork; and again once the commands that lead on ran."""
    commands = (scenario.command, *scenario.then) if leading_on else ()
    told, output = server.ask(
        "inspect",
        root=str(root),
        with_gate=scenario.stages != "quick",
        stages=scenario.stages,
        warehouse=str(scenario.warehouse) if scenario.warehouse else None,
        commands=[_line(command, root) for command in commands],
    )
    if told["status"] != 0:
        raise NotProtected(f"the workspace cannot be looked at: {output}")
    [found] = [line for line in output.splitlines() if line.startswith(inspection.FOUND)]
    return json.loads(found.removeprefix(inspection.FOUND))


def _line(command: tuple[str, ...], root: Path) -> list[str]:
    """A command line on a workspace; those that name it themselves write `{root}`."""
    names_it = any("{root}" in part for part in command)
    place = () if names_it else ("--workspace", "{root}")
    return [part.format(root=root) for part in (*command, *place, "--quiet")]


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
        [old] = inspected(server, scenario, root)
        ended = run(server, scenario, root, scenario.command)
        if ended.status != scenario.status:
            raise NotProtected(f"{scenario.name}: {ended.output}")
        if ended.lost:
            raise NotProtected(f"{scenario.name}: a power cut would lose {ended.lost[:3]}")
        new, final = inspected(server, scenario, root, leading_on=True)
    for seen in (old, new, final):
        if seen["faults"]:
            raise NotProtected(f"{scenario.name}, undisturbed: {seen['faults']}")
    return Reference(ended.steps, old, new, final)


def survey(
    server: Server,
    scenario: Scenario,
    how: str,
    figures: Figures,
    *names: str,
    at_each_step: bool = True,
    **more: Any,
) -> None:
    """End a scenario's command at each step in turn, and look at what is left.

    At the first step, the second, and so on until a run survives; unless `at_each_step`, at the
    first and last of each name, or of these names.

    Raises:
        NotProtected: something was left that must not be, or what was left leads elsewhere.
    """
    undisturbed = reference(server, scenario)
    numbers = (
        range(1, len(undisturbed.steps) + 2)
        if at_each_step
        else one_of_each(undisturbed.steps, *names)
    )
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
            left, found = inspected(server, scenario, root, leading_on=True)
            _prove_left(place, left, undisturbed)
            if found["faults"] or found["kept"] != undisturbed.final["kept"]:
                other = _other(found["kept"], undisturbed.final["kept"])
                raise NotProtected(f"{place}: leads elsewhere: {found['faults'] or other}")
    if at_each_step and not survived:
        raise NotProtected(f"{scenario.name}, {how}: no run survived")


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
