"""One look: colours that stand out in light and dark, and looks that are there for every figure."""

import json
import re
from itertools import product
from pathlib import Path

import pytest

import dashboards
from dashboards import figures

ASSETS = Path(dashboards.__file__).parent / "assets"
CSS = (ASSETS / "pages.css").read_text(encoding="utf-8")
CHARTS = (ASSETS / "charts.js").read_text(encoding="utf-8")
TEXT, GRAPHIC = 4.5, 3.0  # WCAG 2.2, contrast of AA: 1.4.3 and 1.4.11 (from memory)
OUTCOMES = ("better", "unchanged", "worse", "not-measured")
SERIES = [f"series-{number}" for number in range(1, figures.SEVERAL + 1)]
TEXTS = [
    *product(("ink", "quiet", "link"), ("paper", "card")),
    *product(("ink", "quiet"), ("wash",)),
    *((f"on-{outcome}", outcome) for outcome in OUTCOMES),
]
GRAPHICS = [
    *product(("seen", "beside", "chance", "harm", "better", "worse", *SERIES), ("card",)),
    *product(("seen", "care", "harm", "quiet"), ("paper", "card", "wash")),
]


def palette(opening: str) -> dict[str, str]:
    """Colours by name of the rule that begins so."""
    rule = CSS[CSS.index(opening) :].split("}")[0]
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", rule))


LIGHT = palette(":root, :root.paper {")
DARK = palette(":root:not(.paper) {")


def luminance(colour: str) -> float:
    """Relative luminance as WCAG defines it."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    darker, lighter = sorted((luminance(one), luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def test_contrast_is_worked_out_as_by_hand() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)


def test_light_and_dark_name_the_same_colours() -> None:
    assert LIGHT.keys() == DARK.keys()
    assert len(LIGHT) > 25


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize(("text", "ground"), TEXTS)
def test_text_stands_out(colours: dict[str, str], text: str, ground: str) -> None:
    assert contrast(colours[text], colours[ground]) >= TEXT


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize(("mark", "ground"), GRAPHICS)
def test_marks_stand_out(colours: dict[str, str], mark: str, ground: str) -> None:
    assert contrast(colours[mark], colours[ground]) >= GRAPHIC


def test_no_colour_is_said_outside_the_palette() -> None:
    """The margins of a sheet aside, which know no names of colours."""
    rules = re.sub(r"--[\w-]+: [^;]+;", "", CSS)
    rules = re.sub(r"@page \{(?:[^{}]|\{[^{}]*\})*\}", "", rules)
    assert not re.search(r"#[0-9a-f]{3,8}\b|rgb\(", rules)
    assert not re.search(r"#[0-9a-f]{6}\b", CHARTS)


def test_charts_take_colours_that_the_style_sheet_has() -> None:
    asked = set(re.findall(r'ink\("([\w-]+)"\)', CHARTS))
    assert {"ink", "card", "seen", "harm", "chance"} <= asked
    assert asked <= LIGHT.keys()


def test_dark_is_for_the_screen_and_paper_stays_light() -> None:
    assert "@media screen and (prefers-color-scheme: dark)" in CSS
    assert CSS.count("prefers-color-scheme") == 1
    assert 'root.classList.add("paper")' in CHARTS


def known_looks() -> set[str]:
    """The names that charts.js gives looks, numbered ones spelt out."""
    body = CHARTS[CHARTS.index("const looks = ") :].split("\n});")[0]
    plain = set(re.findall(r'^  "?([\w-]+)"?: ', body, re.MULTILINE))
    numbered = re.findall(r'numbered\("(\w+)"', body)
    return plain | {f"{name}-{number}" for name in numbered for number in range(1, 7)}


def test_every_look_of_a_figure_is_known(pages: dict[str, str]) -> None:
    asked = {
        trace["look"]
        for html in pages.values()
        for text in re.findall(r'application/json">(.*?)</script>', html, re.DOTALL)
        for trace in json.loads(text)["data"]
    }
    assert {"seen", "chance", "better", "harm-limits", "line-1"} <= asked
    assert asked <= known_looks()
    assert "gold" not in known_looks()


def stack(**counts: int | None) -> figures.Stack:
    given = {"better": 60, "unchanged": 30, "worse": 5, "not_measured": 20, "measured": 95}
    return figures.Stack("severe", "95 measured", **given | counts)


def parts(*rows: figures.Stack) -> dict[str, list[int]]:
    figure = figures.stacks(rows, "of 100")
    assert figure
    return {trace["name"]: trace["x"] for trace in figure["data"]}


def test_a_stack_holds_each_outcome_once() -> None:
    assert parts(stack()) == {
        "better": [60],
        "unchanged": [30],
        "worse": [5],
        "not measured": [20],
    }


def test_where_unchanged_and_worse_are_hidden_they_are_one_part() -> None:
    assert parts(stack(unchanged=None, worse=None), stack()) == {
        "better": [60, 60],
        "unchanged": [0, 30],
        "worse": [0, 5],
        "unchanged or worse, not told apart": [35, 0],
        "not measured": [20, 20],
    }


@pytest.mark.parametrize("hidden", ["better", "measured", "not_measured"])
def test_a_stack_of_which_more_is_hidden_is_not_drawn(hidden: str) -> None:
    bare = stack(unchanged=None, worse=None, **{hidden: None})
    assert figures.stacks([bare], "of 100") is None
    assert parts(bare, stack())["better"] == [60]


def test_a_stack_of_nobody_is_not_drawn() -> None:
    nobody = stack(better=0, unchanged=0, worse=0, not_measured=0, measured=0)
    assert figures.stacks([nobody], "of 100") is None


def test_what_chance_gives_is_drawn_beside_the_share() -> None:
    figure = figures.dots([figures.Dot("severe", "", 62, 54, 70, chance=11)], "better")
    assert figure
    [mark] = [trace for trace in figure["data"] if trace["look"] == "chance"]
    assert mark["x"] == [11]
    assert mark["name"] == "with no change at all"
    unknown = figures.dots([figures.Dot("severe", "", 62, 54, 70)], "better")
    assert unknown
    assert "chance" not in {trace["look"] for trace in unknown["data"]}


def test_levels_and_several_marks_draw_what_is_known() -> None:
    assert figures.levels([("cost", None), ("moved", 0)], "courses") is None
    figure = figures.levels([("cost", None), ("moved", 12)], "courses")
    assert figure
    assert figure["data"][0]["x"] == [12]
    assert (
        figures.several([figures.Several("alder", "", (None, None))], ("a", "b"), "of 100") is None
    )
    marks = figures.several([figures.Several("alder", "", (90, None))], ("a", "b"), "of 100")
    assert marks
    assert [trace["x"] for trace in marks["data"]] == [[90], [None]]
