"""What the pages on durability, protocols, clinics and method may and must say."""

import json
import re
from itertools import pairwise
from pathlib import Path
from types import ModuleType
from typing import Any

import duckdb
import pytest

from dashboards import cautions, coarse, publish
from dashboards.hidden_counts import Mark
from dashboards.pages.method import PARTS, TABLES
from models.docs import Estimand, estimands
from pipeline.workspace import Release
from tests.dashboards.page_parts import figure, plain, section

PAGES = ("durability.html", "protocols.html", "sites.html")
BELOW = 11


def drawn_at(html: str, slug: str) -> set[float]:
    """Where a chart of rows has its marks and ends of lines."""
    return {x for trace in figure(html, slug)["data"] for x in trace["x"] if x is not None}


def cells(html: str, slug: str) -> list[list[str]]:
    """The rows of the table beside a chart."""
    rows = re.findall(r"<tr>(.*?)</tr>", section(html, slug), re.DOTALL)[1:]
    return [
        [plain(cell) for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.DOTALL)]
        for row in rows
    ]


def changed(invented: ModuleType, root: Path, *statements: str) -> dict[str, str]:
    """The pages of a small release whose warehouse was changed."""
    made = invented.make_release(root / "release")
    with duckdb.connect(str(made.warehouse)) as connection:
        for statement in statements:
            connection.execute(statement)
    publish(made)
    return {page: (made.dashboards / page).read_text(encoding="utf-8") for page in PAGES}


@pytest.fixture(scope="module")
def alike(invented: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Nothing beyond chance, clinics that vary more than it explains, and few measured there."""
    return changed(
        invented,
        tmp_path_factory.mktemp("alike"),
        "update cohorts.protocol_comparison set p_adjusted = 0.2",
        "update cohorts.site_comparison set ratio = 1.02, capture_rate = 0.5",
        "update cohorts.site_comparison set overdispersion = 1.84 where rule = 'symptoms'",
        "update cohorts.site_comparison set overdispersion = 1 where rule = 'glands'",
    )


@pytest.mark.parametrize("page", PAGES)
def test_each_says_how_to_read_it(pages: dict[str, str], page: str) -> None:
    words = plain(pages[page])
    assert cautions.NOT_A_LEAGUE in words
    assert cautions.OWN_GRADES in words
    assert cautions.coarse_figures(BELOW) in words


def test_an_empty_group_has_pages_too(invented: ModuleType, tmp_path: Path) -> None:
    tables = ("durability", "maintenance_return", "protocol_comparison", "band_homogeneity")
    tables = (*tables, "site_comparison", "follow_up_completeness")
    deleted = [f"delete from cohorts.{table}" for table in tables]
    for html in changed(invented, tmp_path, *deleted).values():
        assert "<h1>" in html
        assert 'class="plot"' not in html


# --- rates and curves that tell no small count


@pytest.mark.parametrize(
    ("measured", "told"), [(200, 62), (199, 60), (40, 60), (39, 60), (20, 60), (19, Mark.COMPANION)]
)
def test_a_share_is_rounded_by_how_many_were_measured(measured: int, told: object) -> None:
    assert coarse.in_100(0.6234, measured) == told


def test_a_share_whose_counts_are_shown_is_rounded_to_whole_numbers() -> None:
    assert coarse.in_100(0.6234, 25, shown=True) == 62
    assert coarse.in_100(None, 25, shown=True) is None


def test_a_rounded_share_never_tells_its_count() -> None:
    """Every share that is shown is that of at least two counts, but at the ends of the scale."""
    for measured in range(20, 400):
        told = [coarse.in_100(count / measured, measured) for count in range(measured + 1)]
        inside = [share for share in told if isinstance(share, int) and 0 < share < 100]
        assert all(inside.count(share) >= 2 for share in inside), measured


def rows(*events: tuple[int, int, int]) -> list[dict[str, Any]]:
    """Rows of a curve from (day, at risk, lost)."""
    return [
        {"days": days, "at_risk": n, "lost": lost, "s": n / 500, "l": 0.1, "h": 0.9}
        for days, n, lost in events
    ]


def steps(*events: tuple[int, int, int]) -> list[coarse.Step]:
    return coarse.steps(rows(*events), events="lost", curve=("s", "l", "h"), start=1, below=BELOW)


def test_a_curve_takes_months_together_until_enough_are_lost() -> None:
    """Days 130 (month 5), 160 (6) and 190 (7): 6, then 5 more, then 10 and 1 more."""
    found = steps((130, 100, 6), (160, 94, 5), (190, 80, 10), (220, 70, 1))
    assert [(step.month, step.followed) for step in found] == [(4, None), (6, 90), (8, 70)]
    assert [step.share for step in found] == [1, 0.19, 0.14]


def test_a_curve_of_too_few_losses_is_not_drawn() -> None:
    assert steps((130, 100, 6), (160, 94, 4)) == []
    assert steps() == []


def test_a_curve_ends_where_too_few_are_followed() -> None:
    found = steps((130, 40, 12), (160, 11, 1), (190, 10, 9), (220, 1, 1))
    assert [step.month for step in found] == [4, 5]


def test_a_month_without_a_loss_is_shown() -> None:
    found = steps((130, 100, 12), (220, 80, 20))
    assert [step.month for step in found] == [4, 5, 6, 7, 8]


def test_curves_on_the_page_hold_steps_of_enough(release: Release, pages: dict[str, str]) -> None:
    """Between any two figures shown, nothing or at least 11 lost in the warehouse."""
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        lost = connection.sql(
            "select days, lost from cohorts.durability where rule = 'symptoms' "
            "and estimand = 'lost_or_retreated' and protocol = 'all'"
        ).fetchall()
    days = [
        int(re.search(r"\((\d+)\)", row[1])[1])  # type: ignore[index]
        for row in cells(pages["durability.html"], "holds-symptoms")
        if row[0] == "lost, or treated again"
    ]
    assert len(days) > 5
    for low, high in pairwise(days):
        between = sum(number for day, number in lost if low < day <= high)
        assert between == 0 or between >= BELOW


# --- does it last


def test_the_default_estimand_stands_first(pages: dict[str, str]) -> None:
    drawn = figure(pages["durability.html"], "holds-symptoms")["data"]
    named = [trace["name"] for trace in drawn if "name" in trace]
    assert named == [
        "lost, or treated again",
        "lost before any retreatment",
        "lost, whatever maintenance followed",
    ]


def test_the_curve_and_its_table_agree(pages: dict[str, str]) -> None:
    drawn = figure(pages["durability.html"], "holds-symptoms")["data"]
    first = next(trace for trace in drawn if trace.get("name") == "lost, or treated again")
    told = [
        row[2]
        for row in cells(pages["durability.html"], "holds-symptoms")
        if row[0] == "lost, or treated again"
    ]
    assert [f"{value:.0f}" for value in first["y"] if value is not None] == told


def test_a_small_protocols_curve_is_named_and_not_drawn(pages: dict[str, str]) -> None:
    reading = plain(section(pages["durability.html"], "holds-by-protocol-symptoms"))
    assert "Too few were followed or lost to draw: Three sessions, a month apart." in reading
    names = {
        trace.get("name")
        for trace in figure(pages["durability.html"], "holds-by-protocol-symptoms")["data"]
    }
    assert "Four sessions, two weeks apart" in names
    assert "Three sessions, a month apart" not in names


def test_durability_says_what_limits_it(pages: dict[str, str]) -> None:
    words = plain(pages["durability.html"])
    assert "seen to hold at 6 months (limits" in words
    assert "The late months read too low." in words
    assert "seen again at some time after the last session" in words
    assert re.search(r"from 6 to 30 in 100 would still be reported lost by day 365", words)


def test_noise_that_is_not_known_is_not_told(pages: dict[str, str]) -> None:
    tables = pages["durability.html"].count("True gain that stays")
    assert tables == 1


def test_returns_say_what_competes(pages: dict[str, str]) -> None:
    words = plain(section(pages["durability.html"], "returns"))
    assert re.search(r"\d+ in 100 had come back by 6 months \(limits", words)
    assert "A new course, discharge, a move and death end the wait without a return" in words


# --- protocols compared


def test_a_pair_that_is_alike_is_said_to_be_within_chance(pages: dict[str, str]) -> None:
    words = plain(pages["protocols.html"])
    assert (
        "the difference is \u22121 in 100 (limits \u22129 to +7). No difference larger than chance "
        "can be shown (p 0.60; 0.60 with all 2 comparisons" in words
    )


def test_a_pair_that_is_apart_is_said_to_be_beyond_chance(pages: dict[str, str]) -> None:
    words = plain(pages["protocols.html"])
    assert "the difference is +24 in 100 (limits +15 to +33). This is larger than chance" in words
    assert "It may still come from whom each protocol is given to." in words
    assert "The difference is not the same in every grade" in words


def test_the_verdict_stands_at_the_top(pages: dict[str, str], alike: dict[str, str]) -> None:
    assert "1 difference larger than chance alone would give" in plain(pages["protocols.html"])
    none = "most used. No difference larger than chance can be shown."
    assert none in plain(alike["protocols.html"])
    assert none not in plain(pages["protocols.html"])


def test_what_cannot_be_compared_is_withheld_with_its_reason(pages: dict[str, str]) -> None:
    html = pages["protocols.html"]
    [row] = cells(html, "pairs-tear_film")
    assert row[2:4] == ["52", "58"]
    assert row[4:9] == ["\u2013"] * 5
    assert row[10:12] == ["\u2013"] * 2
    why = "ewer than 60 % measured with one of the two; fewer than 50 % in grades that both share"
    assert row[12] == f"F{why}"
    assert f"Not compared: f{why}." in plain(html)
    assert drawn_at(html, "pairs-tear_film") == {52, 58}
    assert "same mix" not in json.dumps(figure(html, "pairs-tear_film"))


def test_what_can_be_compared_is_shown(pages: dict[str, str]) -> None:
    [row] = cells(pages["protocols.html"], "pairs-glands")
    assert row[2:9] == ["71", "45", "70", "46", "+24", "+15 to +33", "+23"]
    assert row[10:12] == ["below 0.001", "below 0.001"]
    assert drawn_at(pages["protocols.html"], "pairs-glands") == {71, 45, 70, 46}


def test_homogeneity_is_told_in_words(pages: dict[str, str]) -> None:
    words = plain(pages["protocols.html"])
    assert "That it varies from grade to grade cannot be shown (3 grades, p 0.55" in words
    assert "Not tested: fewer than two grades can be compared." in words


def test_protocols_of_few_measured_are_hidden(invented: ModuleType, tmp_path: Path) -> None:
    few = "update cohorts.response_by_grade set evaluable = 15, responders = 8"
    html = changed(invented, tmp_path, f"{few} where protocol <> 'all'")["protocols.html"]
    assert 'class="plot"' not in html
    assert "the difference is hidden" in plain(html)
    assert "+24" not in plain(html)


# --- clinics compared


def test_clinics_stand_in_the_groups_order(pages: dict[str, str]) -> None:
    labels = [row[0] for row in cells(pages["sites.html"], "clinics-symptoms")]
    assert labels == ["Alder <script>alert(1)</script> & Row", "birch", "Cedar Court"]


def test_a_clinic_outside_the_limits_is_named_with_what_to_ask(pages: dict[str, str]) -> None:
    words = plain(section(pages["sites.html"], "clinics-symptoms"))
    assert "Outside both limits: Alder" in words
    assert "Ask first how it is measured there" in words


def test_clinics_within_the_limits_are_said_to_be(alike: dict[str, str]) -> None:
    words = plain(section(alike["sites.html"], "clinics-symptoms"))
    assert "No difference between clinics larger than chance can be shown." in words
    assert "Outside" not in words


def test_a_small_clinic_is_hidden(pages: dict[str, str]) -> None:
    row = cells(pages["sites.html"], "clinics-symptoms")[2]
    assert row[2:] == ["hidden"] * 4
    assert "Cedar Court" not in json.dumps(figure(pages["sites.html"], "clinics-symptoms"))
    assert not drawn_at(pages["sites.html"], "clinics-symptoms") & {10, 40, 64.5, 160, 170}
    assert "Too few measured to show: Cedar Court." in plain(pages["sites.html"])


def test_a_clinics_ratio_is_rounded_by_its_size(pages: dict[str, str]) -> None:
    alder, birch, _ = cells(pages["sites.html"], "clinics-symptoms")
    assert alder[2:] == ["70", "118", "91 to 109", "86 to 114"]
    assert birch[2:] == ["70", "95", "85 to 115", "80 to 120"]


def test_overdispersion_is_told_in_words(pages: dict[str, str], alike: dict[str, str]) -> None:
    assert "cannot be told from fewer than ten" in plain(pages["sites.html"])
    known = plain(alike["sites.html"])
    assert "Symptoms: the clinics vary more than chance explains (1.8 times" in known
    assert "Gland secretion: the clinics vary no more than chance explains." in known


def test_too_few_measured_make_a_hollow_dot(pages: dict[str, str], alike: dict[str, str]) -> None:
    few, enough = (
        {trace.get("name") for trace in figure(of["sites.html"], "clinics-symptoms")["data"]}
        for of in (alike, pages)
    )
    assert "too few measured to go by" in few - enough
    assert "seen" in enough - few


# --- how it is worked out


def test_every_estimand_of_the_docs_stands_on_the_method_page(pages: dict[str, str]) -> None:
    words = plain(pages["method.html"]).replace("'", "`")
    stated = estimands()
    assert len(stated) >= 15
    for name, estimand in stated.items():
        assert f'id="{name}"' in pages["method.html"]
        for part in PARTS:
            text: str = getattr(estimand, part)
            for sentence in re.split(r"`\w+`", text.replace("'", "`")):
                assert sentence.strip() in words, (name, part)


def test_every_estimand_has_its_words(pages: dict[str, str]) -> None:
    assert TABLES.keys() == estimands().keys()
    assert "lost_or_retreated" not in pages["method.html"]


def test_every_published_model_but_lists_has_an_estimand(invented: ModuleType) -> None:
    lists = {"month_summary", "recall_due", "month_records", "late_sessions", "broken_off"}
    assert invented.contracts().keys() - estimands().keys() == lists


def test_an_estimand_lacks_no_part() -> None:
    with pytest.raises(TypeError):
        Estimand(population="All.", variable="One.", summary="Sum.")  # type: ignore[call-arg]
