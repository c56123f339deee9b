"""A run whose stages also tell how much memory each took at most: `python -m ... WORKSPACE`."""

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.history import Run
from pipeline.run import run_job
from pipeline.voice import Stage, Voice
from pipeline.workspace import Workspace

MIB = 1024  # the kernel tells memory in KiB


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


def measure(root: Path) -> dict[str, dict[str, float]]:
    """Seconds and peak memory in MiB of each stage."""
    voice = MeasuringVoice()
    run_job(Workspace.open(root), voice, Run())
    return {
        stage.name: {"seconds": stage.seconds, "peak_mib": voice.peaks_mib[stage.name]}
        for stage in voice.stages
    }


if __name__ == "__main__":
    print(json.dumps(measure(Path(sys.argv[1]))))
