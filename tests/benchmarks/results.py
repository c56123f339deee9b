"""Figures that were measured once and stand in the repository: kept, tabled and drawn.

`python -m tests.benchmarks.results` prints the table that stands in DEVELOPERS.md and draws the
plot beside it, both from `results.json`.
"""

import json
import math
import os
import platform
from collections.abc import Iterator, Mapping, Sequence
from importlib.metadata import version
from pathlib import Path
from statistics import median
from typing import Any

from tests.benchmarks.whole import FLOORS, WHOLE

FOLDER = Path(__file__).parent
MEASURED = FOLDER / "results.json"
PLOT = FOLDER / "growth.svg"
PACKAGES = ("duckdb", "polars", "dbt-core", "great-expectations", "pandas", "lifelines")

Turns = Sequence[Mapping[str, Any]]


def keep(path: Path, size: str, patients: int, rows: Mapping[str, int], turns: Turns) -> None:
    """Put a size's figures into a file, in place of those it had, with the machine's account."""
    kept = json.loads(path.read_text()) if path.exists() else {"sizes": {}}
    kept["machine"] = this_machine()
    kept["sizes"][size] = {"patients": patients, "rows": rows, "turns": turns}
    path.write_text(json.dumps(kept, indent=1) + "\n")


def this_machine() -> dict[str, str]:
    """What the figures were measured on."""
    cpu = Path("/proc/cpuinfo").read_text().split("model name\t: ")[1].splitlines()[0]
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    return {
        "processors": f"{os.cpu_count()} of {cpu}",
        "memory": f"{memory:.0f} GiB",
        "system": f"{platform.system()} {platform.machine()}, Python {platform.python_version()}",
        "packages": ", ".join(f"{name} {version(name)}" for name in PACKAGES),
    }


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


def report(measured: Mapping[str, Any]) -> str:
    """The machine, a table of each size, the growth and the ratios, as Markdown."""
    machine = "; ".join(measured["machine"].values())
    sizes = measured["sizes"]
    return "\n\n".join(
        [f"Measured on {machine}.", *(_table(*size) for size in sizes.items()), _growth(sizes)]
    )


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


def _growth(sizes: Mapping[str, Any]) -> str:
    names = list(sizes)
    steps = list(zip(names, names[1:], strict=False))
    stages = list(sizes[names[0]]["turns"][0]["stages"])
    lines = [
        f"| {what} | {' | '.join(f'{_number(_grown(sizes, step, place))}' for step in steps)} |"
        for what, place in [
            *((stage, ("stages", stage, "seconds")) for stage in stages),
            ("floor of the whole", ("floors", WHOLE)),
            ("script", ("script", WHOLE, "seconds")),
        ]
    ]
    head = " | ".join(f"{small} to {large}" for small, large in steps)
    return "\n".join(
        [
            "Growth: the exponent of seconds against patients; 1 is in proportion.",
            "",
            f"| stage | {head} |",
            f"|---|{'--:|' * len(steps)}",
            *lines,
        ]
    )


def _grown(sizes: Mapping[str, Any], step: tuple[str, str], place: tuple[str, ...]) -> float | None:
    small, large = (
        (sizes[name]["patients"], middle(sizes[name]["turns"], *place)) for name in step
    )
    if small[1] is None or large[1] is None:
        return None
    return exponent((small[0], small[1]), (large[0], large[1]))


def draw(measured: Mapping[str, Any], path: Path) -> None:
    """The seconds of each stage, the whole run, its floor and the script against patients."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    mpl.rcParams["svg.hashsalt"] = "lidcohort"  # else each drawing has names of its own
    sizes = measured["sizes"].values()
    patients = [size["patients"] for size in sizes]
    stages = next(iter(sizes))["turns"][0]["stages"]
    figure = Figure(figsize=(7, 4.5), layout="constrained")
    axes = figure.subplots()
    for label, place, look in [
        ("script of pandas and lifelines", ("script", WHOLE, "seconds"), "s-"),
        ("whole run", ("stages", WHOLE, "seconds"), "o-"),
        ("its floor", ("floors", WHOLE), "o:"),
        *((stage, ("stages", stage, "seconds"), ".--") for stage in FLOORS if stage in stages),
    ]:
        if label != WHOLE:
            seconds = [middle(size["turns"], *place) or math.nan for size in sizes]
            axes.loglog(patients, seconds, look, label=label)
    axes.set_xlabel("patients")
    axes.set_ylabel("seconds, wall time")
    axes.set_xticks(patients, [f"{number:,}" for number in patients], minor=False)
    axes.minorticks_off()
    figure.legend(loc="outside right upper", frameon=False, fontsize="small")
    figure.savefig(path, metadata={"Date": None})


if __name__ == "__main__":
    kept = json.loads(MEASURED.read_text())
    draw(kept, PLOT)
    print(report(kept))
