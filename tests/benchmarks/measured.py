"""Processes measured by the kernel's own account, and a run that tells of each of its stages.

`python -m tests.benchmarks.measured WORKSPACE` runs the job and prints its stages as JSON.
"""

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from pipeline.history import Run
from pipeline.run import run_job
from pipeline.voice import Stage, Voice
from pipeline.workspace import Workspace

MIB = 1024  # the kernel tells memory in KiB
PROJECT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Cost:
    """What a process, or a part of one, took: seconds of wall time, and its peak memory."""

    seconds: float
    peak_mib: float


def run_measured(module: str, *arguments: str) -> tuple[str, Cost]:
    """What a module prints, run in a process of its own, and what that took.

    Raises:
        CalledProcessError: it failed.
    """
    command = [sys.executable, "-m", module, *arguments]
    began = time.monotonic()
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=PROJECT) as process:
        assert process.stdout is not None
        printed = process.stdout.read()
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    seconds = time.monotonic() - began
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, command)
    return printed, Cost(seconds, usage.ru_maxrss / MIB)


class MeasuringVoice(Voice):
    """Sets the process's high-water mark of resident memory back before each stage."""

    def __init__(self) -> None:
        super().__init__(quiet=True)
        self.peaks_mib: dict[str, float] = {}

    @contextmanager
    def stage(self, name: str) -> Iterator[Stage]:
        Path("/proc/self/clear_refs").write_text("5")
        with super().stage(name) as stage:
            yield stage
        self.peaks_mib[name] = _high_water_kib() / MIB


def _high_water_kib() -> int:
    status = Path("/proc/self/status").read_text()
    [line] = [line for line in status.splitlines() if line.startswith("VmHWM:")]
    return int(line.split()[1])


def stages_of_run(root: Path) -> dict[str, Cost]:
    """Run the job in a process of its own: each stage by its name, and the `whole` process."""
    printed, process = run_measured(__name__, str(root))
    stages = {name: Cost(**cost) for name, cost in json.loads(printed).items()}
    peak_mib = max(cost.peak_mib for cost in stages.values())
    return {**stages, "whole": Cost(process.seconds, peak_mib)}


def measure(root: Path) -> Sequence[tuple[str, Cost]]:
    """Run the job in this process: its stages and what each took."""
    voice = MeasuringVoice()
    run_job(Workspace.open(root), voice, Run())
    return [
        (stage.name, Cost(stage.seconds, voice.peaks_mib[stage.name])) for stage in voice.stages
    ]


if __name__ == "__main__":
    print(json.dumps({name: vars(cost) for name, cost in measure(Path(sys.argv[1]))}))
