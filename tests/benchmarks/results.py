"""Figures that were measured once and stand in the repository: kept, tabled and drawn.

`python -m tests.benchmarks.results` prints the tables that stand in DEVELOPERS.md and draws the
plot beside them, from `results.json` and `engines.json`.
"""

import json
import math
import os
import platform
from collections.abc import Iterator, Mapping, Sequence
from importlib.metadata import version
from itertools import pairwise
from pathlib import Path
from statistics import linear_regression, median
from typing import Any

from tests.benchmarks.whole import FLOORS, WHOLE

FOLDER = Path(__file__).parent
MEASURED = FOLDER / "results.json"
ENGINES_MEASURED = FOLDER / "engines.json"
PLOT = FOLDER / "growth.svg"
PACKAGES = ("duckdb", "polars", "dbt-core", "great-expectations", "pandas", "lifelines")

Turns = Sequence[Mapping[str, Any]]
Sizes = Mapping[str, Mapping[str, Any]]


def keep(path: Path, size: str, patients: int, rows: Mapping[str, int], turns: Turns) -> None:
    """Put a size's figures into a file, in place of those it had, with the machine's account."""
    sizes = json.loads(path.read_text()) if path.exists() else {}
    sizes[size] = {
        "patients": patients,
        "machine": this_machine(),
        "rows": rows,
        "turns": turns,
    }
    path.write_text(json.dumps(sizes, indent=1) + "\n")


def this_machine() -> str:
    """What the figures are measured on, in one line."""
    cpu = Path("/proc/cpuinfo").read_text().split("model name\t: ")[1].splitlines()[0]
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    packages = ", ".join(f"{name} {version(name)}" for name in PACKAGES)
    return (
        f"{os.cpu_count()} processors ({cpu}), {memory:.0f} GiB, {platform.system()} "
        f"{platform.machine()}; Python {platform.python_version()}, {packages}"
    )


def middle(turns: Turns, *place: str) -> float | None:
    """The median over a size's turns of the figure at a place; none where no turn has it."""
    found = list(_at(turns, place))
    return median(found) if found else None


def _at(turns: Turns, place: Sequence[str]) -> Iterator[float]:
    for turn in turns:
        value: Any = turn
        for name in place:
            value = value.get(name) if value else None
        if value is not None:
            yield float(value)


def exponent(small: tuple[float, float], large: tuple[float, float]) -> float:
    """How seconds grow with patients between two sizes: 1 is in proportion, 0 not at all.

    Each is patients and seconds, both above 0.
    """
    return math.log(large[1] / small[1]) / math.log(large[0] / small[0])


def report(sizes: Sizes) -> str:
    """The machines, a table of each size and the growth between them, as Markdown."""
    machines = dict.fromkeys(size["machine"] for size in sizes.values())
    measured = [
        f"Measured on {machine}: {', '.join(_names_on(machine, sizes))}." for machine in machines
    ]
    floors = "; ".join(f"of {stage}, {what}" for stage, what in FLOORS.items())
    tables = [_table(name, size) for name, size in sizes.items()]
    return "\n\n".join([*measured, f"Floors: {floors}.", *tables, *_growth(sizes)])


def _names_on(machine: str, sizes: Sizes) -> list[str]:
    return [name for name, size in sizes.items() if size["machine"] == machine]


def _table(name: str, size: Mapping[str, Any]) -> str:
    turns, rows = size["turns"], size["rows"]
    by_script = sum(turn["script"] is not None for turn in turns)
    head = (
        f"**{name}: {size['patients']:,} patients**, exported as {rows['sessions']:,} rows of "
        f"sessions, {rows['outcomes']:,} of outcomes and {rows['temperatures']:,} samples. "
        f"Medians of {len(turns)}; of the script, {by_script}."
    )
    lines = [_stage(stage, turns) for stage in turns[0]["stages"]]
    return "\n".join(
        [
            head,
            "",
            "| stage | seconds | peak MiB | floor, seconds | stage : floor | "
            "script, seconds | script : stage |",
            "|---|--:|--:|--:|--:|--:|--:|",
            *lines,
        ]
    )


def _stage(stage: str, turns: Turns) -> str:
    seconds = middle(turns, "stages", stage, "seconds")
    peak = middle(turns, "stages", stage, "peak_mib")
    floor = middle(turns, "floors", stage)
    script = middle(turns, "script", stage, "seconds")
    cells = [
        _number(seconds),
        f"{peak:,.0f}",
        _number(floor),
        _number(_ratio(seconds, floor)),
        _number(script),
        _number(_ratio(script, seconds)),
    ]
    return f"| {stage} | {' | '.join(cells)} |"


def _ratio(upper: float | None, lower: float | None) -> float | None:
    return None if upper is None or lower is None else upper / lower


def _number(value: float | None) -> str:
    """Two places below 10, one above; empty where there is none."""
    if value is None:
        return ""
    return f"{value:.2f}" if value < 10 else f"{value:,.1f}"


def _growth(sizes: Sizes) -> Iterator[str]:
    """Nothing where there is but one size."""
    steps = list(pairwise(sizes))
    if not steps:
        return
    stages = next(iter(sizes.values()))["turns"][0]["stages"]
    places = {
        **{stage: ("stages", stage, "seconds") for stage in stages},
        "floor of the whole": ("floors", WHOLE),
        "script": ("script", WHOLE, "seconds"),
    }
    yield "Growth, as the exponent of seconds against patients: 1 is in proportion, 0 none."
    yield "\n".join(
        [
            f"| stage | {' | '.join(f'{small} to {large}' for small, large in steps)} |",
            f"|---|{'--:|' * len(steps)}",
            *(
                f"| {what} | {' | '.join(_number(_grown(sizes, step, at)) for step in steps)} |"
                for what, at in places.items()
            ),
        ]
    )


def _grown(sizes: Mapping[str, Any], step: tuple[str, str], place: tuple[str, ...]) -> float | None:
    small, large = (
        (sizes[name]["patients"], middle(sizes[name]["turns"], *place)) for name in step
    )
    if small[1] is None or large[1] is None:
        return None
    return exponent((small[0], small[1]), (large[0], large[1]))


def keep_engines(path: Path, measured: Sequence[Mapping[str, Any]]) -> None:
    """Write what each engine took for each number of patients, with the machine's account."""
    path.write_text(json.dumps({"machine": this_machine(), "measured": measured}, indent=1) + "\n")


def engines_report(kept: Mapping[str, Any]) -> str:
    """A table of both engines, and where straight lines through their seconds meet, as Markdown.

    Each engine was measured for the same two numbers of patients or more.
    """
    by_patients: dict[int, dict[str, Mapping[str, Any]]] = {}
    for one in kept["measured"]:
        by_patients.setdefault(one["patients"], {})[one["engine"]] = one
    engines = list(dict.fromkeys(one["engine"] for one in kept["measured"]))
    heads = [f"{engine}, {name}" for engine in engines for name in ("s", "processor s", "peak MiB")]
    rows = [
        " | ".join(_engine(both[engine]) for engine in engines) for both in by_patients.values()
    ]
    lines = {engine: _line(by_patients, engine) for engine in engines}
    told = (
        f"{engine} {_number(fixed)} s and {_number(1000 * each)} s for every 1,000 patients"
        for engine, (fixed, each) in lines.items()
    )
    return "\n\n".join(
        [
            f"Measured on {kept['machine']}.",
            "\n".join(
                [
                    f"| patients | {' | '.join(heads)} |",
                    f"|--:|{'--:|' * len(heads)}",
                    *(
                        f"| {number:,} | {row} |"
                        for number, row in zip(by_patients, rows, strict=True)
                    ),
                ]
            ),
            f"Straight lines through the seconds: {'; '.join(told)}. {_meeting(*lines.values())}",
        ]
    )


def _engine(one: Mapping[str, Any]) -> str:
    seconds = map(_number, (one["seconds"], one["processor_seconds"]))
    return " | ".join([*seconds, f"{one['peak_mib']:,.0f}"])


def _line(
    by_patients: Mapping[int, Mapping[str, Mapping[str, Any]]], engine: str
) -> tuple[float, float]:
    """Seconds for no patient, and for each."""
    seconds = [both[engine]["seconds"] for both in by_patients.values()]
    slope, intercept = linear_regression(list(by_patients), seconds)
    return intercept, slope


def _meeting(one: tuple[float, float], other: tuple[float, float]) -> str:
    """Where the second line, which begins higher, comes to lie under the first."""
    if other[1] >= one[1]:
        return "They do not meet: each further patient costs the second engine as much or more."
    return f"They meet at {(other[0] - one[0]) / (one[1] - other[1]):,.0f} patients."


def draw(sizes: Sizes, path: Path) -> None:
    """The seconds of each stage, the whole run, its floor and the script against patients."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    mpl.rcParams["svg.hashsalt"] = "lidcohort"  # else each drawing has names of its own
    patients = [size["patients"] for size in sizes.values()]
    lines = {
        "script of pandas and lifelines": (("script", WHOLE, "seconds"), "s-"),
        "whole run": (("stages", WHOLE, "seconds"), "o-"),
        "floor of the whole": (("floors", WHOLE), "o:"),
        **{stage: (("stages", stage, "seconds"), ".--") for stage in FLOORS if stage != WHOLE},
    }
    figure = Figure(figsize=(8, 4.5), layout="constrained")
    axes = figure.subplots()
    for label, (place, look) in lines.items():
        seconds = [middle(size["turns"], *place) or math.nan for size in sizes.values()]
        axes.loglog(patients, seconds, look, label=label)
    axes.set_xlabel("patients")
    axes.set_ylabel("seconds of wall time")
    axes.set_xticks(patients, [f"{number:,}" for number in patients])
    axes.minorticks_off()
    figure.legend(loc="outside right upper", frameon=False, fontsize="small")
    figure.savefig(path, metadata={"Date": None})


if __name__ == "__main__":
    measured = json.loads(MEASURED.read_text())
    draw(measured, PLOT)
    print(report(measured))
    print(f"\n{engines_report(json.loads(ENGINES_MEASURED.read_text()))}")
