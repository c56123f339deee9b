"""The start page, a clinic's months, and all clinics side by side, as their readers see them."""

import json
import re
from html import unescape
from pathlib import Path
from types import ModuleType

import duckdb
import pytest

from dashboards import coarse, figures, publish
from dashboards.trend import trend
from pipeline.workspace import Release

ROUNDED = 0.006  # to two places where it is drawn
ALDER = "clinics/alder/2026-04.html"


def words_of(text: str) -> str:
    """What a reader sees, scripts and drawings aside."""
    bare = re.sub(r"<(script|svg).*?</\1>", "", text, flags=re.DOTALL)
    return unescape(" ".join(re.sub(r"<[^>]+>", " ", bare).split()))


def published_with(invented: ModuleType, root: Path, *changes: str) -> Release:
    made: Release = invented.make_release(root / "release", courses=60)
    with duckdb.connect(str(made.warehouse)) as connection:
        for change in changes:
            connection.execute(change)
    publish(made)
    return made


def page(made: Release, path: str) -> str:
    return (made.dashboards / path).read_text(encoding="utf-8")


def find(release: Release, query: str) -> list[tuple[object, ...]]:
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        return connection.sql(query).fetchall()


def test_a_month_begins_with_its_sentence_the_harm_and_what_waits(pages: dict[str, str]) -> None:
    text = words_of(pages[ALDER])
    after_the_menu = text.index("In April 2026 Alder")
    places = [
        text.index(part, after_the_menu)
        for part in (
            "In April 2026 Alder",
            "Harm.",
            "What waits",
            "time in the chair",
            "Courses",
            "Who is due",
            "Next sessions that are late",
            "How courses fared whose follow-up ended",
            "Was it delivered as planned",
            "Home care before and after",
            "How many were measured",
            "What was refused, and how to mend it",
            "What changed since the last release",
            "Your own system should show",
            "All months",
        )
    ]
    assert places == sorted(places)


def test_what_waits_leads_to_its_place_on_the_page(pages: dict[str, str]) -> None:
    listed = re.search(r'<ul class="plain to-do">(.*?)</ul>', pages[ALDER], re.DOTALL)
    assert listed
    told = dict(re.findall(r'<a href="([^"]+)">([^<]+)</a>', listed[1]))
    recall = "../../clinics/alder/recall.html#overdue"
    assert told == {
        "#late": "1 next session late: see who, and ask why",
        recall: "2 patients to recall: overdue for maintenance",
        "#refused": "12 rows refused: how to mend them",
        "#changed": "3 figures changed since the release before",
    }
    for place in told:
        there = pages["clinics/alder/recall.html"] if place == recall else pages[ALDER]
        assert f'id="{place.split("#")[1]}"' in there


def test_where_nothing_waits_that_is_said(invented: ModuleType, tmp_path: Path) -> None:
    made = published_with(
        invented,
        tmp_path,
        "delete from cohorts.late_sessions",
        "delete from cohorts.recall_due",
        "delete from quality.restatements",
        "update cohorts.month_records set rows_refused = 0, values_flagged = 0",
    )
    text = words_of(page(made, ALDER))
    assert "Nothing waits at this clinic." in text
    assert "No course in progress waits longer for its next session than planned." in text
    assert "No figure of earlier months reads otherwise than in the release before." in text
    assert "no whole file and no row was refused; no value was flagged" in text


def test_a_file_refused_whole_waits_too(pages: dict[str, str]) -> None:
    assert "1 file refused whole: mend and send again" in pages["clinics/birch/2026-04.html"]
    assert "refused whole: mend" not in pages["clinics/birch/2026-03.html"]


def test_only_patients_who_are_still_with_the_clinic_are_listed(pages: dict[str, str]) -> None:
    """The plan of p5 has ended."""
    text = pages[ALDER]
    assert {*re.findall(r'<code class="key">(p\d)</code>', text)} == {"p4"}
    told = words_of(text)
    assert "1 more left out, as moved, or their plan has ended" in told
    assert "p4 2 of 4 20 20 Mar 2026 10 Apr 2026 Four sessions, two weeks apart" in (
        told.replace("\u00a0", " ")
    )


def test_lists_of_patients_stand_on_the_latest_month_alone(pages: dict[str, str]) -> None:
    listed = (ALDER, "clinics/alder/index.html", "clinics/alder/recall.html")
    for path, text in pages.items():
        if path not in listed:
            assert not re.search(r'<code class="key">p\d</code>', text), path
    earlier = pages["clinics/alder/2026-03.html"]
    assert "Next sessions that are late" not in words_of(earlier)


def test_a_month_leads_to_the_recall_list(pages: dict[str, str]) -> None:
    for path in (ALDER, "clinics/alder/2026-03.html"):
        assert 'href="../../clinics/alder/recall.html"' in pages[path]


def test_courses_broken_off_are_told_by_the_session_after_which(pages: dict[str, str]) -> None:
    text = words_of(pages[ALDER])
    assert re.search(r"and (\d+) broke off: \1 after 2 sessions\. A course is known", text)


@pytest.mark.parametrize(
    ("month", "told"),
    [
        ("2026-01", "That is lower than chance would give."),
        ("2026-02", "That is higher than chance would give."),
        ("2026-03", "That is within what chance gives."),
    ],
)
def test_a_month_is_news_only_beyond_its_limits(
    pages: dict[str, str], month: str, told: str
) -> None:
    text = words_of(pages[f"clinics/alder/{month}.html"])
    assert told in text
    assert text.count("than chance would give.") == ("within" not in told)
    assert ("Ask first who was measured" in text) == ("within" not in told)


def test_a_month_that_is_not_judged_says_why(pages: dict[str, str]) -> None:
    text = words_of(pages["clinics/birch/2026-04.html"])
    assert (
        "Whether that is more than chance is not judged: fewer than 10 measured in the month, "
        "fewer than 60 in 100 measured." in text
    )
    assert "what chance gives" not in text


def test_the_control_chart_draws_the_tables_numbers(
    release: Release, pages: dict[str, str]
) -> None:
    section = re.search(
        r'<section class="chart" id="follow-up".*?</section>', pages[ALDER], re.DOTALL
    )
    assert section
    drawn = re.search(r'<script type="application/json">(.*?)</script>', section[0])
    assert drawn
    traces = {
        trace["name"]: trace["y"] for trace in json.loads(drawn[1].replace("\\u0026", "&"))["data"]
    }
    rows = find(
        release,
        "select 100 * response_rate, 100 * before_rate, beyond_limits from cohorts.month_outcomes "
        "where site = 'alder' and rule = 'symptoms' order by month",
    )
    assert traces["each month"] == pytest.approx([rate for rate, _, _ in rows], abs=ROUNDED)
    assert traces["twelve months before"] == pytest.approx(
        [level for _, level, _ in rows], abs=ROUNDED
    )
    assert [value is not None for value in traces["beyond the limits"]] == [b for _, _, b in rows]


def test_what_lies_within_has_no_mark_of_its_own() -> None:
    within = figures.ControlPoint(50, 50, 20, 80, beyond=False)
    drawn = figures.control_chart(["Jan 2026"], [within], "month", "better")
    assert drawn
    assert "beyond the limits" not in {trace["name"] for trace in drawn["data"]}
    assert [trace.get("marker", {}).get("symbol") for trace in drawn["data"]][-1] == ["circle"]
    unjudged = figures.ControlPoint(50, 50, 0, 100, beyond=None)
    hollow = figures.control_chart(["Jan 2026"], [unjudged], "month", "better")
    assert hollow
    assert hollow["data"][-1]["marker"]["symbol"] == ["circle-open"]
    unknown = figures.ControlPoint(None, None, None, None, beyond=False)
    assert figures.control_chart(["Jan 2026"], [unknown], "month", "better") is None


def test_home_care_is_told_where_it_is_known(pages: dict[str, str]) -> None:
    told = words_of(pages[ALDER])
    assert "home care took 20 minutes a day before and 7.5 after (medians)" in told
    assert "Less home care is no response." in told
    assert "Of no course can it be told" in words_of(pages["clinics/alder/2026-03.html"])


def test_too_few_measured_is_said_where_it_is_so(invented: ModuleType, tmp_path: Path) -> None:
    made = published_with(
        invented,
        tmp_path,
        "update cohorts.month_outcomes set capture_rate = 0.59 where month = '2026-04'",
        "update cohorts.month_outcomes set capture_rate = 0.6 where month = '2026-03'",
        "update cohorts.month_outcomes set capture_rate = null where month = '2026-02'",
    )
    april, march, february = (
        words_of(page(made, f"clinics/alder/2026-0{number}.html")) for number in (4, 3, 2)
    )
    few = "Fewer than 60 in 100 of them were measured"
    assert few in april
    assert few not in march
    assert "There was nobody to measure" in february


def test_what_changed_names_figures_and_batches(pages: dict[str, str]) -> None:
    latest, february = (words_of(pages[f"clinics/alder/2026-0{n}.html"]) for n in (4, 2))
    assert (
        "3 figures of earlier months read otherwise than in the release before "
        "(2026-03-31-0badc0de). Since then came in, were read anew or count no longer: "
        "2026-02 and 2026-04." in latest
    )
    assert "2 figures of this month read otherwise" in february
    assert "Feb 2026 sessions 64 66 +2" in february
    assert "Feb 2026 harms not known 3 \u2013" in february
    assert "Mar 2026 Symptoms: better 5 4 \u22121" in latest
    assert "Mar 2026" not in february[february.index("What changed") : february.index("Is the")]


def test_a_change_without_a_batch_says_so(invented: ModuleType, tmp_path: Path) -> None:
    made = published_with(
        invented,
        tmp_path,
        "update quality.restatements set batches_since = null where month = '2026-02'",
        "update quality.restatements set batches_since = '2025-01;2025-02;2025-03;2025-04;2025-05;"
        "2025-06;2025-07;2025-08' where month = '2026-03'",
    )
    february, march = (words_of(page(made, f"clinics/alder/2026-0{n}.html")) for n in (2, 3))
    assert "No batch of the clinic came in since: settings or the program changed." in february
    assert "2025-03, 2025-04, 2025-05, 2025-06, 2025-07, 2025-08 and 2 earlier ones." in march


def test_the_start_page_tells_no_count_by_its_lines(pages: dict[str, str]) -> None:
    labels = re.findall(r'<svg class="trend".*?aria-label="([^"]*)"', pages["index.html"])
    sessions = [label for label in labels if label.startswith("Sessions a month")]
    assert sessions
    for label in sessions:
        steps = label.split("in fifths of the busiest month: ")[1].rstrip(".").split(", ")
        assert {*steps} <= {"0", "1", "2", "3", "4", "5"}
    assert "fewer than 11 in each month" not in words_of(pages["index.html"])


def test_a_clinic_too_small_to_draw_is_told_in_words(invented: ModuleType, tmp_path: Path) -> None:
    made = published_with(
        invented, tmp_path, "update cohorts.month_summary set sessions = 10 where site = 'cedar'"
    )
    assert "fewer than 11 in each month" in words_of(page(made, "index.html"))


@pytest.mark.parametrize(
    ("counts", "fifths"),
    [([50, 25, 10, 0], [5, 2, 0, 0]), ([10, 3], [0, 0]), ([], []), ([11, 11], [5, 5])],
)
def test_counts_in_fifths_of_the_largest(counts: list[int], fifths: list[int]) -> None:
    assert coarse.in_fifths(counts, 11) == fifths


def test_a_trend_marks_its_last_point_and_leaves_gaps() -> None:
    drawn = trend([0, 5, None, 10], "none, 5, not known, 10").svg
    assert drawn.count("<polyline") == 1
    assert '<polyline points="3,21 33,12"/>' in drawn
    assert '<circle cx="93" cy="3" r="2.5"/>' in drawn
    assert 'role="img" aria-label="none, 5, not known, 10"' in drawn


def test_a_trends_point_without_a_neighbour_is_a_dot() -> None:
    drawn = trend([None, 10, None], "not known, 10, not known").svg
    assert '<circle cx="48" cy="3" r="1"/>' in drawn
    assert drawn.count("<circle") == 1


def test_a_trend_of_nothing_draws_nothing_and_says_its_words() -> None:
    for values in ([], [None]):
        drawn = trend(values, "nothing").svg
        assert "<polyline" not in drawn
        assert "<circle" not in drawn
        assert 'aria-label="nothing"' in drawn
    assert "<circle" in trend([0], "one").svg


def test_a_trends_words_stay_text() -> None:
    assert 'aria-label="&lt;b&gt; &quot;x&quot;"' in trend([1], '<b> "x"').svg


def test_clinics_stand_side_by_side_with_small_counts_hidden(
    release: Release, pages: dict[str, str]
) -> None:
    text = words_of(pages["side_by_side.html"])
    [(sessions, stopped)] = find(
        release,
        "select sessions, stopped from cohorts.months_side_by_side where site = 'alder'",
    )
    assert isinstance(sessions, int)
    assert isinstance(stopped, int)
    assert sessions >= 11 > stopped > 0
    assert re.search(rf"& Row {sessions} ", text)
    assert "<11" in text
    assert "April 2026 is the latest month that is over." in text
    assert "Cedar Court: no data of this month yet" in text


def test_a_clinic_with_part_of_the_month_says_up_to_when(
    invented: ModuleType, tmp_path: Path
) -> None:
    made = published_with(
        invented,
        tmp_path,
        "update staging.stg_sites set cutoff = '2026-04-10' where site = 'birch'",
    )
    assert "birch: only up to 10 April 2026" in words_of(page(made, "side_by_side.html"))
    april, march = (words_of(page(made, f"clinics/birch/2026-0{n}.html")) for n in (4, 3))
    assert "In April 2026 (only up to 10 April 2026) birch gave" in april
    assert "only up to" not in march


def test_before_any_month_is_over_there_is_nothing_side_by_side(
    invented: ModuleType, tmp_path: Path
) -> None:
    made = published_with(invented, tmp_path, "delete from cohorts.months_side_by_side")
    text = words_of(page(made, "side_by_side.html"))
    assert "No clinic's data cover a calendar month to its end yet." in text
