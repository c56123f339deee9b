"""The sheets for the consulting room: their numbers, their words, and when there is none."""

import re
from collections.abc import Callable
from html import unescape
from pathlib import Path
from types import ModuleType

import duckdb
import pytest

from dashboards import cautions, icons, words
from dashboards.icons import Part
from dashboards.page import Frame, environment
from dashboards.pages import expect
from dashboards.shared_tables import SharedTables
from dashboards.source import Source
from dashboards.warehouse import Warehouse
from pipeline.workspace import Release
from tests.dashboards.readability import grade_level, sentences, syllables

SHEETS = ("mild", "moderate", "severe")
READ_BY_12 = 7.0  # the school year of a reader of 12 at the latest
LONGEST = 25  # words in a sentence; common practice, no source
PROMISES = (
    r"\b(safe|safely|safety|cured?|cures|heals?|healed|guarantee[ds]?|promise[ds]?|proven?|proves"
    r"|always|never|certain|certainly|sure|will (help|work|get better)|works|effective|success\w*"
    r"|best|recommend\w*|should)\b"
)
NEEDED = ("response_by_grade", "expected_course", "expected_at_session", "felt_in_courses")
Sheets = Callable[..., dict[str, str]]


def plain(page: str) -> str:
    """What a sheet says between its menu and its foot, a line for each block."""
    body = page[page.index("<main") : page.index("</main>")]
    body = re.sub(r"<svg.*?</svg>", "", body, flags=re.DOTALL)
    body = re.sub(r"</(p|h1|h2|li|td|th|figcaption)>", "\n", body)
    lines = (" ".join(line.split()) for line in re.sub(r"<[^>]+>", "", body).split("\n"))
    return unescape("\n".join(line for line in lines if line))


def running_text(page: str) -> str:
    """The sentences alone: tables hold numbers and their headings."""
    return plain(re.sub(r"<figure.*?</figure>", "", page, flags=re.DOTALL))


def key_of(page: str) -> list[tuple[str, str]]:
    """The lines of the key: how many, and of what."""
    return re.findall(r"<li>.*?<strong>(\d+)</strong> (.*?)</li>", page, re.DOTALL)


@pytest.fixture(scope="module")
def sheets(pages: dict[str, str]) -> dict[str, str]:
    return {grade: pages[f"expect/{grade}.html"] for grade in SHEETS}


@pytest.fixture
def changed(invented: ModuleType, tmp_path: Path) -> Sheets:
    """The sheets of a release after these statements on its warehouse."""

    def made(*statements: str, **settings: object) -> dict[str, str]:
        release = invented.make_release(tmp_path / str(len(list(tmp_path.iterdir()))))
        with duckdb.connect(str(release.warehouse)) as connection:
            for statement in statements:
                connection.execute(statement)
        warehouse = Warehouse(release.warehouse)
        own = invented.settings(**settings)
        tables = {name: warehouse.cohorts()[name] for name in (*NEEDED, "home_care")}
        shared = SharedTables(tables, own.privacy.hide_counts_below)
        source = Source(own, release.as_of, warehouse, shared)
        frame = Frame("G", "D", "R", (), own.group.invented, environment())
        return {
            Path(page.path).stem: frame.render(page)
            for page in expect.pages(source)
            if page.path.startswith("expect/")
        }

    return made


def row(release: Release, query: str) -> dict[str, object]:
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        [found] = connection.sql(query).pl().to_dicts()
    return found


def test_a_sheet_tells_the_tables_shares_as_so_many_of_100(
    release: Release, sheets: dict[str, str]
) -> None:
    """The four parts are within a step of the table's shares and make 100."""
    for grade, page in sheets.items():
        found = row(release, f"from cohorts.expected_course where grade = '{grade}'")
        step = 1 if found["evaluable"] >= 200 else 5
        key = [line for line in key_of(page) if "</a>" not in line[0]]
        told = {what.split(":")[0]: int(count) for count, what in key}
        assert sum(told.values()) == 100
        assert abs(told["better"] - 100 * found["better_share"]) < step
        assert all(count % step == 0 for count in told.values())
        drawn = page.count('<circle class="better"') - 1  # one stands in the key
        assert drawn == told["better"]


def test_a_sheet_tells_each_session_the_usual_number_and_what_was_felt(
    sheets: dict[str, str],
) -> None:
    page = plain(sheets["severe"])
    for told in (
        "At least half of the people had from 3 to 4 sessions.",
        "had red skin or red eyes",
        "Some of 800 people of all grades had swelling: each fewer than 11.",
        "None of 800 people of all grades had a blister, a burn, harm to the front of the eye or "
        "some other harm. Up to 5 of 100 could still get it.",
        "spent half the time or less on eye care at home",
        "Too few people were followed to tell you.",
    ):
        assert re.sub(r"of \d+ people", "of N people", told) in re.sub(
            r"of \d+ people", "of N people", page
        ), told
    assert re.search(r"After session\nbetter\nlikely range\n.*\n.*\n.*\n1\n\d+\n\d+ to \d+\n", page)


# One course with severe symptoms was not asked: to say how many were would tell of it.
ONE_NOT_ASKED = (
    "update cohorts.felt_in_courses set asked = courses - cast(grade in ('severe', 'all') as int)",
    "update cohorts.felt_in_courses set felt_share = felt / asked",
)


@pytest.mark.parametrize(("nearly_all", "is_told"), [(0.9, True), (1, False)])
def test_a_few_not_asked_do_not_hide_what_the_others_felt(
    changed: Sheets, monkeypatch: pytest.MonkeyPatch, nearly_all: float, is_told: bool
) -> None:
    monkeypatch.setattr(expect, "NEARLY_ALL", nearly_all)
    page = plain(changed(*ONE_NOT_ASKED)["severe"])
    assert re.search(r"Of 100 people, about 15 had red skin .*between about \d+ and \d+ of", page)
    told = re.search(
        r"Nearly all of \d+ people of all grades were asked\.\n"
        r"Some of them had swelling: each fewer than 11\.\n"
        r"None of them had a blister, .* Up to 5 of 100 could still get it\.",
        page,
    )
    assert bool(told) == is_told
    assert (expect.TOO_FEW_TO_TELL in page) != is_told


def test_where_a_grade_may_not_be_told_all_grades_are(changed: Sheets) -> None:
    made = changed(
        "update cohorts.felt_in_courses set felt = 5 where grade = 'severe' and event = 'redness'",
        "update cohorts.felt_in_courses as whole set felt = (select sum(felt) from "
        "cohorts.felt_in_courses as part where part.event = whole.event and part.grade <> 'all') "
        "where grade = 'all'",
        *ONE_NOT_ASKED,
    )
    felt = "had red skin or red eyes"
    assert re.search(rf"Of 100 people of all grades, about \d+ {felt}", plain(made["severe"]))


def test_a_sheet_says_that_its_grade_is_that_of_the_symptom_score(sheets: dict[str, str]) -> None:
    for page in sheets.values():
        assert "It is not the grade that the clinic gives after a look at your eyes." in plain(page)


def test_how_long_it_held_is_told_of_the_grade_itself(changed: Sheets) -> None:
    made = changed("update cohorts.durability set grade = 'severe' where site = 'all'")
    assert re.search(
        r"Of 100 people who were better, about (\d+) were still better after 12 months "
        r"\(likely between about \d+ and \d+ of 100\)\.\n"
        "A person who was treated again counts as no longer better here.",
        plain(made["severe"]),
    )


def test_limits_are_widened_to_fives() -> None:
    assert expect._between(0.52, 0.61) == "likely between about 50 and 65 of 100"
    assert expect._between(0.5, 0.6) == "likely between about 50 and 60 of 100"
    assert expect._between(0.01, 0.06) == "likely no more than about 10 of 100"


@pytest.mark.parametrize(("measured", "has_numbers"), [(29, False), (30, True)])
def test_a_grade_with_fewer_than_30_measured_has_no_numbers(
    changed: Sheets, measured: int, has_numbers: bool
) -> None:
    parts = f"responders = {measured - 12}, unchanged = 12, worsened = 0"
    whole = f"courses = {measured + 20}, not_measured = 20, evaluable = {measured}"
    made = changed(
        f"update cohorts.expected_course set {whole}, {parts}, better_share = 0.4, "
        "unchanged_share = 0.3, worsened_share = 0, not_measured_share = 0.3 "
        "where grade = 'severe'"
    )
    page = plain(made["severe"])
    assert (expect.TOO_FEW_MEASURED in page) == (not has_numbers)
    assert ("How did 100 people like you do?" in page) == has_numbers
    for caution in cautions.PLAIN:
        assert caution in page


def test_a_grade_that_nobody_has_gets_no_numbers(changed: Sheets) -> None:
    made = changed("delete from cohorts.expected_course where grade = 'mild'")
    assert expect.TOO_FEW_MEASURED in plain(made["mild"])
    assert "How did 100 people like you do?" in plain(made["severe"])


def test_a_few_who_were_worse_are_told_together_with_others(
    release: Release, sheets: dict[str, str]
) -> None:
    """Fewer than 11 worse are hidden, and with them those unchanged, who would give them back."""
    found = row(release, "from cohorts.expected_course where grade = 'severe'")
    assert 0 < found["worsened"] < 11
    [*_, (count, what)] = key_of(sheets["severe"])
    both = 100 * (found["unchanged_share"] + found["worsened_share"])
    assert what == "about the same or worse"
    assert abs(int(count) - both) < 5
    assert sheets["severe"].count('class="together"') == int(count) + 1
    assert 'class="worse"' not in sheets["severe"]


def test_many_who_were_worse_are_told_as_a_part_of_their_own(changed: Sheets) -> None:
    counts = "worsened = worsened + 30, unchanged = unchanged + 30, courses = courses + 60"
    made = changed(
        *(
            f"update cohorts.{table} set {counts}, evaluable = evaluable + 60"
            for table in ("response_by_grade", "expected_course")
        ),
        "update cohorts.expected_course set better_share = responders / courses, unchanged_share = "
        "unchanged / courses, worsened_share = worsened / courses, not_measured_share = "
        "not_measured / courses",
    )
    assert [what.split(":")[0] for _, what in key_of(made["severe"])] == [
        *("better", "about the same", "worse", "not asked again")
    ]
    assert 'class="together"' not in made["severe"]


def test_where_too_few_were_better_to_show_nothing_is_told(changed: Sheets) -> None:
    severe = "grade = 'severe' and site = 'all' and protocol = 'all' and course_kind = 'all'"
    made = changed(
        "update cohorts.response_by_grade set responders = 5, evaluable = evaluable - responders "
        f"+ 5 where rule = 'symptoms' and {severe}",
        "update cohorts.expected_course set responders = 5, evaluable = evaluable - responders + 5 "
        "where grade = 'severe'",
    )
    assert expect.TOO_FEW_TO_SHOW in plain(made["severe"])
    assert "How did 100 people like you do?" not in plain(made["severe"])


def test_a_share_that_is_rounded_away_is_not_told_as_none() -> None:
    assert expect._so_many(0.01, 0, 5) == "fewer than 5"
    assert expect._so_many(0.0, 0, 5) == "0"


def test_little_measured_makes_no_share_of_those_asked_again(changed: Sheets) -> None:
    made = changed("update cohorts.response_by_grade set courses = 10 * evaluable")
    assert "people who were asked again" not in plain(made["severe"])


def test_those_asked_again_are_told_with_limits(sheets: dict[str, str]) -> None:
    assert re.search(
        r"Of 100 people who were asked again, \d+ were better "
        r"\(likely between about \d+ and \d+ of 100\)",
        plain(sheets["severe"]),
    )


def test_chance_is_told_where_it_is_known(changed: Sheets) -> None:
    told = "would still look better by chance"
    unknown = changed("update cohorts.response_by_grade set rate_by_noise = null")
    assert told not in plain(unknown["severe"])
    known = changed("update cohorts.response_by_grade set rate_by_noise = 0.12")
    assert f"about 10 of 100 {told}" in plain(known["severe"])  # to fives, from 111 measured


@pytest.mark.parametrize("grade", SHEETS)
def test_a_sheet_can_be_read_at_12(sheets: dict[str, str], grade: str) -> None:
    text = running_text(sheets[grade])
    assert grade_level(text) <= READ_BY_12
    longest = max(sentences(text), key=len)
    assert len(longest) <= LONGEST, longest


def test_a_sheet_without_numbers_can_be_read_at_12(changed: Sheets) -> None:
    made = changed("delete from cohorts.expected_course where true")
    assert grade_level(running_text(made["mild"])) <= READ_BY_12


def test_the_measure_refuses_the_words_of_other_pages() -> None:
    assert grade_level(" ".join(cautions.GENERAL)) > READ_BY_12
    assert grade_level(cautions.coarse_figures(11)) > READ_BY_12


def test_the_measure_is_the_published_one() -> None:
    """13 words of 24 syllables in one sentence: 11.3, as Wikipedia's article on it works out."""
    platypus = "The Australian platypus is seemingly a hybrid of a mammal and reptilian creature."
    by_hand = 0.39 * 13 + 11.8 * 24 / 13 - 15.59
    assert by_hand == pytest.approx(11.3, abs=0.05)
    assert grade_level(platypus) == pytest.approx(by_hand, abs=1e-9)


@pytest.mark.parametrize(
    ("word", "count"),
    [
        *(("better", 2), ("people", 2), ("like", 1), ("treated", 2), ("skin", 1), ("eye", 1)),
        *(("sessions", 2), ("asked", 1), ("symptoms", 2), ("treatment", 2), ("chances", 2)),
        *(("unpleasant", 3), ("64", 2)),
    ],
)
def test_syllables_are_counted(word: str, count: int) -> None:
    assert syllables(word) == count


def test_no_sheet_promises(sheets: dict[str, str]) -> None:
    for page in sheets.values():
        found = re.search(PROMISES, running_text(page), re.IGNORECASE)
        assert not found, found


@pytest.mark.parametrize(
    "promise",
    [
        "This treatment is safe.",
        "It will help you.",
        "Heat cures dry eyes.",
        "We guarantee a result.",
        "You should have four sessions.",
    ],
)
def test_a_promise_would_be_found(promise: str) -> None:
    assert re.search(PROMISES, promise, re.IGNORECASE)


def test_every_word_that_a_sheet_may_use_is_looked_at() -> None:
    """Also what the invented release happens not to show."""
    said = " ".join(
        [
            *(text for _, _, text in expect.PARTS),
            *expect.COMMON.values(),
            *expect.RARER.values(),
            *(expect.TOO_FEW_MEASURED, expect.TOO_FEW_TO_SHOW, expect.TOO_FEW_TO_TELL),
            *cautions.PLAIN,
        ]
    )
    assert not re.search(PROMISES, said, re.IGNORECASE)
    assert set(expect.COMMON) | set(expect.RARER) == set(words.EVENTS) - {"all", "unknown"}


@pytest.mark.parametrize("is_invented", [True, False])
def test_invented_data_are_told_as_such(changed: Sheets, is_invented: bool) -> None:
    made = changed(group={"name": "G", "invented": is_invented})
    assert all(("Invented data." in page) == is_invented for page in made.values())


def test_the_index_leads_to_every_sheet(pages: dict[str, str]) -> None:
    for grade in SHEETS:
        assert f'href="expect/{grade}.html"' in pages["expect.html"]


@pytest.mark.parametrize(
    ("shares", "step", "parts"),
    [
        ((0.5, 0.25, 0.25), 1, [50, 25, 25]),
        ((0.506, 0.247, 0.247), 1, [50, 25, 25]),
        ((1 / 3, 1 / 3, 1 / 3), 1, [34, 33, 33]),
        ((0.52, 0.26, 0.22), 5, [55, 25, 20]),
        ((0.96, 0.04), 10, [100, 0]),
        ((1.0,), 1, [100]),
    ],
)
def test_shares_make_a_hundred(shares: tuple[float, ...], step: int, parts: list[int]) -> None:
    assert icons.of_100(shares, step) == parts


def test_what_shares_leave_of_the_whole_is_a_part() -> None:
    assert icons.of_100((0.5, 0.2), 1, with_rest=True) == [50, 20, 30]


@pytest.mark.parametrize(("shares", "step"), [((0.5, 0.4), 1), ((0.5, 0.5), 3), ((1.2, -0.2), 1)])
def test_shares_that_make_no_whole_are_refused(shares: tuple[float, ...], step: int) -> None:
    with pytest.raises(ValueError, match="100"):
        icons.of_100(shares, step)


def test_a_picture_has_a_hundred_marks_and_says_them() -> None:
    parts = [Part("better", 60, "60", "better & well"), Part("worse", 40, "40", "worse")]
    picture = icons.array(parts)
    assert picture.count("<circle") == 60
    assert picture.count("<path") == 40
    assert 'role="img" aria-label="Of 100: 60 better &amp; well; 40 worse."' in picture


def test_a_picture_of_other_than_a_hundred_is_refused() -> None:
    with pytest.raises(ValueError, match="99"):
        icons.array([Part("better", 99, "99", "better")])


def test_each_part_has_a_shape_of_its_own() -> None:
    shapes = {re.sub(r'class="[^"]*"', "", icons.mark(kind)) for kind in icons.SHAPES}
    assert len(shapes) == len(icons.SHAPES)
