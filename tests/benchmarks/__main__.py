"""Measures the job: `uv run python -m tests.benchmarks [--only PART ...] [--patients N]`.

Everything is measured in one go on one machine, so that the ratios hold whatever the machine.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import pandas as pd
from rich.console import Console
from rich.table import Table

from pipeline.settings import ENGINES
from pipeline.workspace import Release, Workspace, key_file
from synthetic_data import make_exports
from tests.benchmarks.bare import count_seconds, sql_seconds
from tests.benchmarks.comparison import GRAINS, differences
from tests.benchmarks.doses import DOSES_MEMORY, dose_times, invent_logs
from tests.benchmarks.engines import engine_times
from tests.benchmarks.macros import GROUPS, macro_seconds
from tests.benchmarks.mapped import mapped_times, small_file_times
from tests.benchmarks.timed import Times

LIDCOHORT = [str(Path(sys.executable).with_name("lidcohort"))]
PROJECT = Path(__file__).parents[2]
PARTS = ("macros", "doses", "mapped", "demo", "large", "cards", "engines")
SMALL_ROWS, SMALL_FILES = 600_000, 600
GATES = ("arrival gate", "built gate")
CONSOLE = Console(width=100)

Stages = Mapping[str, Mapping[str, float]]


def main() -> None:
    """Measure one part after another, and print a table of each."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--demo-patients", type=int, default=3000)
    parser.add_argument("--patients", type=int, default=200_000, help="of the large group")
    parser.add_argument("--card-patients", type=int, help="of the card tables; as --patients")
    parser.add_argument("--engine-patients", type=int, default=20_000, help="at the least")
    parser.add_argument("--courses", type=int, default=1_000_000, help="that the macros go over")
    parser.add_argument("--samples", type=int, default=65_000_000, help="of temperature logs")
    parser.add_argument("--outcomes", type=int, default=12_000_000, help="rows with mappings")
    parser.add_argument("--only", choices=PARTS, nargs="+", default=PARTS, help="measure no other")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="lidcohort-benchmark-") as scratch:
        folder = Path(scratch)
        measures: dict[str, Callable[[Path], None]] = {
            "macros": lambda _: measure_macros(asked.courses),
            "doses": lambda place: measure_doses(place, asked.samples),
            "mapped": lambda place: measure_mapped(place, asked.outcomes),
            "demo": lambda place: measure_demo(place, asked.demo_patients),
            "large": lambda place: measure_large(place, asked.patients),
            "cards": lambda place: measure_cards(place, asked.card_patients or asked.patients),
            "engines": lambda place: measure_engines(place, asked.engine_patients),
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


def measure_large(root: Path, patients: int) -> None:
    """A large group: seconds and peak memory by stage, and what bare DuckDB takes."""
    began = time.monotonic()
    make_exports(root, patients=patients)
    made_in = time.monotonic() - began
    write_key(root)
    with newest_batches_away(root):
        stages = measured_run(root)
        counting, rows = count_seconds(root)
        bare_sql = sql_seconds(current_release(root))
    one_more = measured_run(root)
    total = sum(stage["seconds"] for stage in stages.values())
    gates = sum(stages[gate]["seconds"] for gate in GATES)

    table = Table(
        "stage", "seconds", "peak MiB", title=f"{patients:,} patients, {rows:,} rows exported"
    )
    table.add_row("(exports made)", _seconds(made_in), "")
    for name, stage in stages.items():
        table.add_row(name, _seconds(stage["seconds"]), f"{stage['peak_mib']:,.0f}")
    table.add_row("all", _seconds(total), f"{max(s['peak_mib'] for s in stages.values()):,.0f}")
    CONSOLE.print(table)

    ratios = Table("ratio", "here", "aim", title="Ratios")
    ingest, build = stages["ingest"]["seconds"], stages["build"]["seconds"]
    ratios.add_row("ingest : bare count of the same files", f"{ingest / counting:.1f}", "<= 6")
    ratios.add_row("dbt build : the same SQL bare", f"{build / bare_sql:.2f}", "")
    ratios.add_row("gates : the whole run", f"{gates / total:.0%}", "< 15%")
    again = one_more["ingest"]["seconds"] / ingest
    ratios.add_row("ingest with one more batch : the first", f"{again:.0%}", "<= 20%")
    whole = sum(stage["seconds"] for stage in one_more.values()) / total
    ratios.add_row("run with one more batch : the first", f"{whole:.0%}", "")
    CONSOLE.print(ratios)


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


def measure_cards(root: Path, patients: int) -> None:
    """`lidcohort run` against a script that makes the three card tables, from clean exports."""
    make_exports(root, patients=patients, dirty_share=0)
    write_key(root)
    began = time.monotonic()
    run_lidcohort("run", "--workspace", str(root))
    job = time.monotonic() - began
    began = time.monotonic()
    run_python("tests.benchmarks.card_tables", str(root), str(root))
    script = time.monotonic() - began
    tables = {name: pd.read_parquet(root / f"{name}.parquet") for name in GRAINS}
    apart = differences(current_release(root).warehouse, tables)

    table = Table("three card tables", "seconds", title=f"{patients:,} patients, clean exports")
    table.add_row("lidcohort run (all of it)", _seconds(job))
    table.add_row("pandas and lifelines", _seconds(script))
    table.add_row("script : run (aim >= 5)", f"{script / job:.1f}")
    table.add_row("figures that differ", str(len(apart)))
    CONSOLE.print(table)
    if apart:
        sys.exit("\n".join(apart))


def measure_doses(root: Path, samples: int) -> None:
    """Thermal doses of irregular logs, against the bare sum of the same accepted Parquet."""
    times = list(dose_times(invent_logs(root, samples)))
    show_times(f"{samples:,} samples, memory limit {DOSES_MEMORY}", times)


def measure_mapped(root: Path, rows: int) -> None:
    """Ingest of outcomes in a clinic's own form, and of the same rows in many files."""
    show_times(f"{rows:,} outcome rows with mappings", list(mapped_times(root / "rows", rows)))
    times = list(small_file_times(root / "files", SMALL_ROWS, SMALL_FILES))
    show_times("One file against many (<= 1.5)", times)


def measure_engines(root: Path, patients: int) -> None:
    """The build's growth on both engines, from the same inputs."""
    table = Table("patients", *ENGINES, "spark : duckdb", title="Build, wall seconds")
    for built in engine_times(root, patients):
        seconds = built.seconds
        table.add_row(
            f"{built.patients:,}",
            *(_seconds(seconds[engine]) for engine in ENGINES),
            f"{seconds['spark'] / seconds['duckdb']:.1f}",
        )
    CONSOLE.print(table)


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


def run_python(module: str, *arguments: str) -> str:
    return _output([sys.executable, "-m", module, *arguments])


def _output(command: Sequence[str]) -> str:
    ran = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True, cwd=PROJECT)
    return ran.stdout


def measured_run(root: Path) -> Stages:
    """A run in a process of its own: seconds and peak memory of each stage."""
    stages: Stages = json.loads(run_python("tests.benchmarks.measured", str(root)))
    return stages


def write_key(root: Path) -> None:
    key_file(root).write_text("an invented key of enough length\n")
    key_file(root).chmod(0o600)
    key_file(root).chmod(0o600)


def current_release(root: Path) -> Release:
    workspace = Workspace.open(root)
    release = workspace.current.resolve()
    return Release(release, workspace.settings, date.fromisoformat(release.name[:10]))


def _seconds(seconds: float | None) -> str:
    return "" if seconds is None else f"{seconds:.1f}"


if __name__ == "__main__":
    main()
