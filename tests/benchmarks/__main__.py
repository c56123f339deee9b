"""Measures the job: `uv run python -m tests.benchmarks [--size S|M|L] [--only PART ...]`.

What is set against each other is measured in one go on one machine, so that the ratios hold
whatever the machine. `--results tests/benchmarks/results.json` keeps the whole run's figures, of
which `python -m tests.benchmarks.results` makes the tables and the plot in DEVELOPERS.md.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path

from rich.console import Console
from rich.markdown import Markdown
from rich.table import Table

from synthetic_data import make_exports
from tests.benchmarks.curves import curve_times
from tests.benchmarks.doses import DOSES_MEMORY, dose_times, invent_logs
from tests.benchmarks.engines import engine_times
from tests.benchmarks.macros import GROUPS, macro_seconds
from tests.benchmarks.mapped import mapped_times, small_file_times
from tests.benchmarks.measured import PROJECT, stages_of_run
from tests.benchmarks.results import engines_report, keep, keep_engines, report
from tests.benchmarks.sizes import SIZES, write_key
from tests.benchmarks.timed import Times
from tests.benchmarks.whole import turns

LIDCOHORT = [str(Path(sys.executable).with_name("lidcohort"))]
PARTS = ("whole", "macros", "curves", "doses", "mapped", "demo", "one_more", "engines")
SMALL_ROWS, SMALL_FILES = 600_000, 600
CONSOLE = Console(width=100)


def main() -> None:
    """Measure one part after another, and print a table of each."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--size", choices=SIZES, default="S", help="of the group, for `whole`")
    parser.add_argument("--times", type=int, default=5, help="that the whole run is measured")
    parser.add_argument("--script-times", type=int, default=5, help="that the script is, at most")
    parser.add_argument("--groups", type=Path, help="where the exports of sizes lie, or are kept")
    parser.add_argument("--results", type=Path, help="a file that keeps the figures of a size")
    parser.add_argument("--demo-patients", type=int, default=3000)
    parser.add_argument("--patients", type=int, default=200_000, help="of the group of `one_more`")
    parser.add_argument("--engine-patients", type=int, default=20_000, help="at the least")
    parser.add_argument("--engine-results", type=Path, help="a file that keeps their figures")
    parser.add_argument("--courses", type=int, default=1_000_000, help="that the macros go over")
    parser.add_argument("--samples", type=int, default=65_000_000, help="of temperature logs")
    parser.add_argument("--outcomes", type=int, default=12_000_000, help="rows with mappings")
    parser.add_argument("--only", choices=PARTS, nargs="+", default=PARTS, help="measure no other")
    asked = parser.parse_args()
    os.environ.pop(
        "PYTHONDONTWRITEBYTECODE", None
    )  # keep what is compiled, as people's Python does
    with tempfile.TemporaryDirectory(prefix="lidcohort-benchmark-") as scratch:
        folder = Path(scratch)
        measures: dict[str, Callable[[Path], None]] = {
            "whole": lambda place: measure_whole(asked, place),
            "macros": lambda _: measure_macros(asked.courses),
            "curves": lambda _: show_times(
                f"Kaplan-Meier of {asked.courses:,} courses", list(curve_times(asked.courses))
            ),
            "doses": lambda place: measure_doses(place, asked.samples),
            "mapped": lambda place: measure_mapped(place, asked.outcomes),
            "demo": lambda place: measure_demo(place, asked.demo_patients),
            "one_more": lambda place: measure_one_more(place, asked.patients),
            "engines": lambda place: measure_engines(asked, place),
        }
        for part in PARTS:
            if part in asked.only:
                measures[part](folder / part)


def measure_demo(root: Path, patients: int) -> None:
    """The demo's wall time by stage: first, after a change of settings, and with nothing new."""
    first = run_lidcohort("demo", str(root), "--patients", str(patients))
    settings = root / "group.toml"
    settings.write_text(
        settings.read_text().replace("hide_counts_below = 11", "hide_counts_below = 12")
    )
    runs = {
        "cold": first,
        "warm": run_lidcohort("run", "--workspace", str(root)),
        "nothing new": run_lidcohort("run", "--workspace", str(root)),
    }
    table = Table("stage", *runs, title=f"Demo of {patients:,} patients, wall seconds")
    for stage in first:
        table.add_row(stage, *(_seconds(run.get(stage)) for run in runs.values()))
    CONSOLE.print(table)


def measure_one_more(root: Path, patients: int) -> None:
    """A run with one batch more of each clinic, against the first with all but these."""
    make_exports(root, patients=patients)
    write_key(root)
    with newest_batches_away(root):
        first = stages_of_run(root)
    again = stages_of_run(root)
    table = Table("stage", "first", "one batch more", "share", title=f"{patients:,} patients")
    for stage, cost in first.items():
        seconds = again[stage].seconds
        table.add_row(
            stage, _seconds(cost.seconds), _seconds(seconds), f"{seconds / cost.seconds:.0%}"
        )
    CONSOLE.print(table)


@contextmanager
def newest_batches_away(root: Path) -> Iterator[None]:
    """Every clinic's newest batch laid aside for a while."""
    aside = root / "aside"
    moved = {}
    for site in sorted((root / "exports").iterdir()):
        newest = max(site.iterdir())
        moved[aside / site.name / newest.name] = newest
    for place, newest in moved.items():
        place.parent.mkdir(parents=True)
        newest.rename(place)
    yield
    for place, newest in moved.items():
        place.rename(newest)


def measure_whole(asked: argparse.Namespace, scratch: Path) -> None:
    """The whole run of a group, stage by stage, beside its floors and the script."""
    size = SIZES[asked.size]
    groups = asked.groups or scratch
    groups.mkdir(parents=True, exist_ok=True)
    measured = []
    for rows, turn in turns(groups, size, asked.times, asked.script_times):
        measured.append(turn.as_json())
        path = asked.results or scratch / "results.json"
        keep(path, size.name, size.patients, rows, measured)
        CONSOLE.print(f"{size.name}: {len(measured)} of {asked.times}")
    CONSOLE.print(Markdown(report(json.loads(path.read_text()))))


def measure_doses(root: Path, samples: int) -> None:
    """Thermal doses of irregular logs, against the bare sum of the same accepted Parquet."""
    times = list(dose_times(invent_logs(root, samples)))
    show_times(f"{samples:,} samples, memory limit {DOSES_MEMORY}", times)


def measure_mapped(root: Path, rows: int) -> None:
    """Ingest of outcomes in a clinic's own form, and of the same rows in many files."""
    show_times(f"{rows:,} outcome rows with mappings", list(mapped_times(root / "rows", rows)))
    times = list(small_file_times(root / "files", SMALL_ROWS, SMALL_FILES))
    show_times("One file against many (<= 1.5)", times)


def measure_engines(asked: argparse.Namespace, root: Path) -> None:
    """The courses and cohorts' growth on both engines, from the same inputs."""
    path = asked.engine_results or root.with_suffix(".json")
    measured = []
    for one in engine_times(root, asked.engine_patients):
        measured.append(asdict(one))
        keep_engines(path, measured)
        CONSOLE.print(f"{one.engine}: {one.patients:,} patients in {one.seconds:.1f} s")
    CONSOLE.print(Markdown(engines_report(json.loads(path.read_text()))))


def show_times(title: str, times: Sequence[Times]) -> None:
    """A table of times, as ratios to the first."""
    table = Table("what", "seconds", "ratio", "processor seconds", "ratio", title=title)
    first = times[0]
    for told in times:
        table.add_row(
            told.what,
            f"{told.seconds:.2f}",
            f"{told.seconds / first.seconds:.1f}",
            f"{told.processor_seconds:.2f}",
            f"{told.processor_seconds / first.processor_seconds:.1f}",
        )
    CONSOLE.print(table)


def measure_macros(courses: int) -> None:
    """Each statistical macro against a bare grouped count of the same courses."""
    counting, macros = macro_seconds(courses)
    table = Table(
        "macro",
        "processor seconds",
        "ratio",
        title=f"{courses:,} courses, {GROUPS} groups; a grouped count takes {counting:.3f} s",
    )
    for name, seconds in macros.items():
        table.add_row(name, f"{seconds:.2f}", f"{seconds / counting:.1f}")
    CONSOLE.print(table)


def run_lidcohort(*arguments: str) -> dict[str, float]:
    """Run a command in a process of its own; wall seconds by stage, and of the process."""
    began = time.monotonic()
    told = json.loads(_output([*LIDCOHORT, *arguments, "--json", "--quiet"]))
    stages = {stage["stage"]: stage["seconds"] for stage in told["stages"]}
    return {**stages, "process": time.monotonic() - began}


def _output(command: Sequence[str]) -> str:
    ran = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True, cwd=PROJECT)
    return ran.stdout


def _seconds(seconds: float | None) -> str:
    return "" if seconds is None else f"{seconds:.1f}"


if __name__ == "__main__":
    main()
