"""Where patients leave, delivery, dose and response, and safety in time and by device."""

import re
from pathlib import Path
from types import ModuleType

import duckdb
import pytest

from dashboards import cautions, publish
from dashboards import words as said
from dashboards.hidden_counts import Mark
from ingest.contract import PLANS
from tests.dashboards.page_parts import figure, plain, section

ALL_OTHERS = ("alder-all", "all-all")


def cells(html: str, slug: str) -> dict[str, list[str]]:
    """The rows of the table beside a chart, by their first cell."""
    rows = re.findall(r"<tr>(.*?)</tr>", section(html, slug), re.DOTALL)[1:]
    read = [
        [plain(cell) for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.DOTALL)]
        for row in rows
    ]
    return {first: rest for first, *rest in read}


def changed(invented: ModuleType, root: Path, *statements: str) -> dict[str, str]:
    """The pages of a small release whose warehouse was changed."""
    made = invented.make_release(root / "release", courses=200)
    with duckdb.connect(str(made.warehouse)) as connection:
        for statement in statements:
            connection.execute(statement)
    publish(made)
    folder = made.dashboards
    names = ("leaving.html", "delivery.html", "dose.html", "safety.html")
    return {name: (folder / name).read_text(encoding="utf-8") for name in names}


# --- where patients leave


def test_the_way_is_told_in_a_sentence_and_drawn_as_its_table(pages: dict[str, str]) -> None:
    """Alder: 223 started, 155 are elsewhere, 30 of them found not suitable."""
    html = pages["leaving.html"]
    assert (
        "Of 378 patients assessed, a course was recommended to 348; 223 accepted, 223 started and "
        "150 completed it."
    ) in plain(section(html, "steps-alder"))
    [bar] = figure(html, "steps-alder")["data"]
    rows = cells(html, "steps-alder")
    assert [str(value) for value in bar["x"]] == [count for (count,) in rows.values()]
    assert list(rows) == ["Assessed", "A course recommended", "Accepted", "Started", "Completed"]


def test_why_they_left_is_told_most_often_first(pages: dict[str, str]) -> None:
    words = plain(section(pages["leaving.html"], "not-started-alder"))
    assert "declined 60, recommended, no answer on record 40 and not suitable 30." in words
    assert "Not suitable 30" in words


def test_a_small_reason_is_hidden_with_what_would_give_it_back(pages: dict[str, str]) -> None:
    """Three moved at alder, one at birch: of each row's sum, one more is hidden."""
    for site in ("alder", "birch", "all"):
        stopped = cells(pages["leaving.html"], f"stopped-{site}")
        assert stopped["Moved"] == ["<11"]
        assert ["hidden"] in stopped.values()
        assert stopped["Died"] == ["0"]
        drawn = figure(pages["leaving.html"], f"stopped-{site}")["data"][0]["x"]
        assert all(count >= 11 for count in drawn)


def test_a_clinic_without_plans_is_named(pages: dict[str, str]) -> None:
    assert "Not known for Cedar Court: no plans have come from there" in plain(
        pages["leaving.html"]
    )
    assert 'id="steps-cedar"' not in pages["leaving.html"]


def test_waits_are_told_and_hidden_where_few_began(pages: dict[str, str]) -> None:
    words = plain(section(pages["leaving.html"], "waits-birch"))
    assert "Half waited no longer than 9 days from accepted to the first session." in words
    rows = cells(pages["leaving.html"], "waits-birch")
    assert rows["From accepted to the first session"] == ["80", "4", "9", "21"]
    assert rows["From recommended to accepted"] == ["<11", "hidden", "hidden", "hidden"]
    assert "who still waits, or has left, is not among them" in words
    drawn = figure(pages["leaving.html"], "waits-birch")["data"]
    assert {trace["look"]: trace["x"] for trace in drawn} == {
        "seen-limits": [4, 21, None],
        "seen": [None, 9],
    }


def test_no_plans_at_all_are_said(invented: ModuleType, tmp_path: Path) -> None:
    html = changed(invented, tmp_path, "delete from cohorts.leaving")["leaving.html"]
    assert "No clinic has sent plans long enough ago." in plain(html)
    assert 'class="plot"' not in html


def test_each_decision_and_reason_of_the_contract_has_its_words() -> None:
    assert said.NOT_STARTED.keys() == {*PLANS.column("decision").codes, "undecided"}
    assert said.END_REASONS.keys() == {*PLANS.column("end_reason").codes, "unknown"}


@pytest.mark.parametrize(
    ("value", "told"),
    [(7.5, "7.5"), (14, "14"), (21.0, "21"), (None, "\u2013"), (Mark.COMPANION, "hidden")],
)
def test_days_are_told_as_they_are(value: said.Number, told: str) -> None:
    assert said.days(value) == told


# --- delivered as planned


def test_delivery_is_told_of_100_and_stands_by_month_clinic_and_protocol(
    pages: dict[str, str],
) -> None:
    html = pages["delivery.html"]
    assert re.findall(r'data-values="by=(\w+)"', html) == ["month", "clinic", "protocol"]
    reading = plain(section(html, "by-clinic"))
    assert re.search(r"Of 100 session-eyes recorded: plateau temperature .* in \d+\.\d", reading)
    assert "All sessions are here" in reading
    rows = cells(html, "by-protocol")
    assert list(rows) == [
        *("Four sessions, two weeks apart", "Three sessions, a month apart", "all protocols"),
    ]
    marks = figure(html, "by-protocol")["data"]
    assert [mark["name"] for mark in marks] == list(said.DELIVERY.values())
    shares = [row[1].split()[0] for row in rows.values()]
    assert shares == [f"{value:.1f}" for value in marks[0]["x"]]


def test_months_of_delivery_stand_in_their_order(pages: dict[str, str]) -> None:
    drawn = figure(pages["delivery.html"], "by-month")["data"][0]["x"]
    assert drawn == ["Jan 2026", "Feb 2026", "Mar 2026", "Apr 2026"]


def test_no_session_is_said(invented: ModuleType, tmp_path: Path) -> None:
    html = changed(invented, tmp_path, "delete from cohorts.delivery")
    assert "No session has been given yet." in plain(html["delivery.html"])
    assert "ceiling, month by month" not in html["safety.html"]


# --- dose and response


def test_a_dose_is_marked_as_not_randomised_before_anything_else(pages: dict[str, str]) -> None:
    html = pages["dose.html"]
    words = plain(html)
    assert words.index("Not randomised.") < words.index("Judged by")
    assert "no effect of the dose, and no reason to heat longer" in words
    assert "heat can burn skin and harm the cornea" in words
    for reading in re.findall(r"</h2>\s*<p>(.*?)</p>\s*<div", html, re.DOTALL):
        assert "Not randomised" in reading


def test_quarters_are_drawn_with_limits_as_in_their_table(pages: dict[str, str]) -> None:
    html = pages["dose.html"]
    rows = cells(html, "dose-symptoms-alder-all")
    assert rows["Shortest quarter"] == ["100 to 190", "120", "72", "60", "50 to 70"]
    assert rows["Longest quarter"] == ["400 to 490", "120", "108", "90", "80 to 100"]
    seen = {t["look"]: t for t in figure(html, "dose-symptoms-alder-all")["data"]}
    assert [seen["seen"]["x"][quarter] for quarter in (0, 1, 3)] == [60, 70, 90]
    assert seen["seen-limits"]["x"][:2] == [50, 70]
    words = plain(section(html, "dose-symptoms-alder-all"))
    assert "In the shortest quarter 60 in 100 of 120 were better (limits 50 to 70)" in words


def test_a_small_quarter_is_hidden(pages: dict[str, str]) -> None:
    rows = cells(pages["dose.html"], "dose-symptoms-birch-all")
    assert rows["Third quarter"][1:3] == ["<11", "<11"]
    assert rows["Third quarter"][3:] == ["hidden", "hidden"]
    others = [
        cells(pages["dose.html"], f"dose-symptoms-{of}")["Third quarter"] for of in ALL_OTHERS
    ]
    assert any("hidden" in row for row in others)


def test_where_no_share_may_be_told_that_is_said_with_what_may_be(
    invented: ModuleType, tmp_path: Path
) -> None:
    few = "update cohorts.dose_response set evaluable = 5, responders = 3"
    none_better = "update cohorts.dose_response set responders = 4 where rule = 'symptoms'"
    told = {
        statement: plain(
            section(
                changed(invented, tmp_path / str(place), statement)["dose.html"],
                "dose-symptoms-all-all",
            )
        )
        for place, statement in enumerate((few, none_better))
    }
    assert told[few].count("In each quarter fewer than 11 courses with a temperature log") == 1
    assert re.search(
        r"By quarter, \d+, \d+, \d+ and \d+ courses with a temperature log were measured\.",
        told[none_better],
    )


def test_no_log_is_said(invented: ModuleType, tmp_path: Path) -> None:
    html = changed(invented, tmp_path, "delete from cohorts.dose_response")["dose.html"]
    assert "No course with a temperature log has been measured" in plain(html)
    assert "Not randomised." in plain(html)


# --- safety in time and by device


@pytest.mark.parametrize(
    ("share", "told"),
    [
        (0, "0.0"),
        (0.0002, "fewer than 0.1"),
        (0.0005, "0.1"),
        (1, "100.0"),
        (None, said.NONE),
        (Mark.SMALL, said.HIDDEN),
    ],
)
def test_what_is_rounded_away_is_not_told_as_none(share: said.Number, told: str) -> None:
    assert said.to_a_tenth(share) == told


def test_the_hottest_moment_is_drawn_month_by_month(invented: ModuleType, tmp_path: Path) -> None:
    often = "update cohorts.delivery set over_temperature_share = 0.5"
    html = changed(invented, tmp_path, often)["safety.html"]
    assert re.search(
        r"In 50.0 of 100 session-eyes \(\d+ with it recorded\), the hottest moment lay above",
        plain(section(html, "over-temperature")),
    )
    [line] = figure(html, "over-temperature")["data"]
    assert set(line["y"]) == {50}
    assert len(line["x"]) == 4


def test_where_few_were_too_hot_no_month_is_drawn_for_the_group(pages: dict[str, str]) -> None:
    """Months with none beside hidden ones would look as if there were none in any."""
    html = pages["safety.html"]
    assert 'class="plot"' not in section(html, "over-temperature")
    assert "Not drawn, since in some months so few lay above it" in plain(html)
    rows = cells(html, "over-temperature")
    assert len(rows) == 4
    shares = {share: int(recorded) for recorded, share in rows.values()}
    assert "hidden" in shares
    told = [(float(share), of) for share, of in shares.items() if share != "hidden"]
    assert all(share == 0 or share * of / 100 > 10.9 for share, of in told)


def test_a_clinics_own_page_draws_every_month(pages: dict[str, str]) -> None:
    html = pages["clinics/alder/safety.html"]
    drawn = figure(html, "over-temperature")["data"][0]["y"]
    rows = cells(html, "over-temperature")
    assert [f"{value:.1f}" for value in drawn] == [share for _, share in rows.values()]
    assert len(drawn) == 4


def test_harms_stand_by_device_on_the_clinics_own_page_alone(pages: dict[str, str]) -> None:
    own = plain(pages["clinics/alder/safety.html"])
    assert "lid<b>1</b> 120 110 6 1 5.5 2.0 to 11.9" in own
    assert "lid2 60 50 0 0 0.0 0.0 to 7.4" in own
    assert "not recorded 3 0 1 0 \u2013 \u2013" in own
    assert "a difference between them may not be the device's" in own
    assert "lid1" not in own
    for path, html in pages.items():
        if not path.startswith("clinics/"):
            assert "lid2" not in plain(html), path


def test_nothing_is_told_by_operator(pages: dict[str, str]) -> None:
    for path, html in pages.items():
        assert not re.search(r"[Bb]y operator(?!: nowhere)", plain(html)) or path == "method.html"


# --- all of them


@pytest.mark.parametrize("page", ["leaving.html", "delivery.html", "dose.html"])
def test_group_pages_say_what_is_hidden_and_stand_in_the_menu(
    pages: dict[str, str], page: str
) -> None:
    assert cautions.hidden_counts(11) in plain(pages[page])
    assert f'href="{page}"' in pages["index.html"]
    assert re.search(rf'href="{page}" aria-current="page"', pages[page])


def test_each_page_is_smaller_than_400_kb(pages: dict[str, str]) -> None:
    assert max(len(html.encode()) for html in pages.values()) < 400_000
