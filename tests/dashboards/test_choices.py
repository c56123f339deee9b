"""Choices: ready sections of which a page shows one; without scripts all of them."""

import re
from urllib.parse import parse_qsl

import pytest

from dashboards.page import Choice, Question, Section, environment

QUESTIONS = (
    Question("rule", "Judged by", {"a": "symptoms", "b": "tear film", "c": "glands"}),
    Question("by", "Rows", {"grade": "by grade", "clinic": "by <clinic> & more"}),
)
SECTIONS = (
    Section(("b", "clinic"), (), ("Second rule.",)),
    Section(("a", "grade"), (), ("First <b>rule</b>.",)),
    Section(("a", "clinic"), (), ("By clinic.",)),
)


def shown(choice: Choice) -> str:
    parts = environment().get_template("parts.html")
    return str(parts.module.show_choice(choice, ""))  # type: ignore[attr-defined]


def test_selects_hold_the_answers_for_which_there_is_a_section_in_their_own_order() -> None:
    asked = Choice(QUESTIONS, SECTIONS).selects
    assert [(question.name, answers) for question, answers in asked] == [
        ("rule", [("a", "symptoms"), ("b", "tear film")]),
        ("by", [("grade", "by grade"), ("clinic", "by <clinic> & more")]),
    ]


def test_a_section_has_an_address_and_a_name() -> None:
    choice = Choice(QUESTIONS, SECTIONS)
    assert choice.address(SECTIONS[1]) == "rule=a&by=grade"
    assert choice.name(SECTIONS[1]) == "symptoms; by grade"


def test_without_scripts_every_section_stands_there_and_no_select() -> None:
    html = shown(Choice(QUESTIONS, SECTIONS))
    assert re.search(r'<form class="choice" hidden', html)
    assert html.count("<section data-values=") == 3
    assert not re.search(r"<section[^>]* hidden", html)
    assert "Second rule." in html
    assert "First &lt;b&gt;rule&lt;/b&gt;." in html


def test_each_select_has_its_label_and_what_is_chosen_is_told() -> None:
    html = shown(Choice(QUESTIONS, SECTIONS))
    assert re.search(r'<label>Judged by\s*<select name="rule">', html)
    assert 'role="status"' in html
    assert 'aria-label="Tear film; by &lt;clinic&gt; &amp; more"' in html


def test_no_section_is_said_in_words() -> None:
    html = shown(Choice(QUESTIONS, (), empty="Nothing yet."))
    assert "Nothing yet." in html
    assert "<form" not in html


@pytest.mark.parametrize(
    ("page", "questions"),
    [
        ("response_by_grade.html", {"rule", "by"}),
        ("clinics/alder/response.html", {"rule", "by", "protocol"}),
    ],
)
def test_pages_choose_by_rule_grading_site_and_protocol(
    pages: dict[str, str], page: str, questions: set[str]
) -> None:
    sections = re.findall(r'<section data-values="([^"]*)"', pages[page])
    chosen = [dict(parse_qsl(values.replace("&amp;", "&"))) for values in sections]
    assert len({tuple(values.items()) for values in chosen}) == len(chosen) > 8
    assert all(values.keys() == questions for values in chosen)
    assert "assets/choices.js" in pages[page]
