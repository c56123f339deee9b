"""What the benchmark's tables say, worked out by hand, and that they stand in DEVELOPERS.md."""

import json
import math

import pytest

from tests.benchmarks.measured import PROJECT, Cost
from tests.benchmarks.results import (
    ENGINES_MEASURED,
    MEASURED,
    draw,
    engines_report,
    exponent,
    keep,
    keep_engines,
    middle,
    report,
)
from tests.benchmarks.sizes import SIZES
from tests.benchmarks.whole import FLOORS, Turn


def turn(seconds: float, floor: float, script: float | None) -> dict:
    stages = {name: Cost(seconds, 1500) for name in (*FLOORS, "inputs")}
    by_script = None if script is None else {"whole": Cost(script, 900)}
    return Turn(stages, dict.fromkeys(FLOORS, floor), by_script).as_json()


@pytest.fixture
def figures(tmp_path):
    """Two sizes, the larger with ten times the patients and the run at a hundred times."""
    path = tmp_path / "results.json"
    rows = {"sessions": 1000, "outcomes": 2000, "temperatures": 3000}
    small = [turn(2, 1, 10), turn(4, 1, None), turn(3, 1, 30)]
    keep(path, "S", 100, rows, small)
    keep(path, "M", 1000, rows, [turn(300, 10, None)])
    return path


@pytest.mark.parametrize(
    ("seconds", "grown"), [((3, 3), 0), ((3, 30), 1), ((3, 300), 2), ((8, 4), -math.log10(2))]
)
def test_growth_is_the_exponent_between_two_sizes(seconds, grown):
    assert exponent((100, seconds[0]), (1000, seconds[1])) == pytest.approx(grown, abs=1e-12)


def test_a_median_is_of_the_turns_that_have_the_figure():
    turns = [turn(2, 1, 10), turn(4, 1, None), turn(3, 1, 30)]
    assert middle(turns, "stages", "whole", "seconds") == 3
    assert middle(turns, "script", "whole", "seconds") == 20
    assert middle([turn(2, 1, None)], "script", "whole", "seconds") is None


def test_a_table_gives_medians_ratios_and_what_there_is_none_of(figures):
    lines = report(json.loads(figures.read_text())).splitlines()
    assert "| whole | 3.00 | 1,500 | 1.00 | 3.00 | 20.0 | 6.67 |" in lines
    assert "| build | 3.00 | 1,500 | 1.00 | 3.00 |  |  |" in lines
    assert "| inputs | 3.00 | 1,500 |  |  |  |  |" in lines
    assert "| whole | 2.00 |" in lines
    assert "| floor of the whole | 1.00 |" in lines
    assert "| script |  |" in lines
    [head] = [line for line in lines if line.startswith("**S: 100 patients**")]
    assert head.endswith("Medians of 3; of the script, 2.")


def test_a_size_measured_again_replaces_its_figures(figures):
    keep(figures, "S", 100, {}, [turn(5, 1, None)])
    sizes = json.loads(figures.read_text())
    assert list(sizes) == ["S", "M"]
    assert middle(sizes["S"]["turns"], "stages", "whole", "seconds") == 5


def test_the_plot_draws_every_line(figures, tmp_path):
    draw(json.loads(figures.read_text()), tmp_path / "plot.svg")
    drawn = (tmp_path / "plot.svg").read_text()
    labels = {"whole run", "floor of the whole", *FLOORS} - {"whole"}
    assert {label for label in labels if f"<!-- {label} -->" in drawn} == labels


def on_both(path, one, other):
    """Two engines at 1, 2 and 4 thousand patients, each on a straight line."""
    measured = [
        {
            "patients": patients,
            "engine": engine,
            "seconds": fixed + each * patients,
            "processor_seconds": 5,
            "peak_mib": 1500,
        }
        for patients in (1000, 2000, 4000)
        for engine, (fixed, each) in {"duckdb": one, "spark": other}.items()
    ]
    keep_engines(path, measured)
    return engines_report(json.loads(path.read_text()))


def test_the_engines_stand_beside_each_other_and_meet_where_their_lines_do(tmp_path):
    told = on_both(tmp_path / "engines.json", (12, 0.02), (45, 0.01))
    assert "| 2,000 | 52.0 | 5.00 | 1,500 | 65.0 | 5.00 | 1,500 |" in told
    assert "duckdb 12.0 s and 20.0 s for every 1,000 patients" in told
    assert told.endswith("They meet at 3,300 patients.")


def test_engines_whose_lines_never_meet_are_told_so(tmp_path):
    told = on_both(tmp_path / "engines.json", (10, 0.01), (40, 0.01))
    assert told.endswith("costs the second engine as much or more.")


def test_what_was_measured_stands_in_the_developers_guide():
    sizes = json.loads(MEASURED.read_text())
    assert [SIZES[name].patients for name in sizes] == [size["patients"] for size in sizes.values()]
    guide = (PROJECT / "DEVELOPERS.md").read_text("utf-8")
    assert report(sizes) in guide
    assert engines_report(json.loads(ENGINES_MEASURED.read_text())) in guide
