"""Filters work from the disk: what is chosen is shown, and the address leads there again."""

from pathlib import Path

import pytest
from playwright.sync_api import Page

from tests.dashboards.browser.conftest import OpenPage

pytestmark = pytest.mark.browser

WITH_CHOICES = "document.querySelectorAll('.choices form.choice').length"
SHOWN = (
    "Array.from(document.querySelectorAll('.choices > section:not([hidden])'), (s) => s.ariaLabel)"
)
SHOWN_CHARTS = (
    "Array.from(document.querySelectorAll('.choices > section:not([hidden]) .plot'), "
    "(plot) => plot.querySelectorAll('.main-svg').length)"
)
SECTIONS = "document.querySelectorAll('.choices > section').length"


def pages_with_choices(folder: Path, page: Page) -> list[Path]:
    found = []
    for file in sorted(folder.glob("*.html")):
        page.goto(file.as_uri())
        if page.evaluate(WITH_CHOICES):
            found.append(file)
    return found


def test_each_answer_shows_its_own_section(demo_pages: Path, tab: OpenPage) -> None:
    opened = tab()
    page = opened.page
    files = pages_with_choices(demo_pages, page)
    assert files
    for file in files:
        page.goto(file.as_uri())
        for select in page.locator("form.choice select").all():
            answers = select.locator("option").all()
            labels = set()
            for option in answers:
                select.select_option(option.get_attribute("value"))
                assert select.input_value() == option.get_attribute("value"), file
                shown = page.evaluate(SHOWN)
                assert len(shown) == page.locator(".choices").count(), file
                assert all(page.evaluate(SHOWN_CHARTS)), (file, shown)
                labels.add(tuple(shown))
            assert len(labels) == len(answers), file
        assert opened.complaints == [], file


def test_an_address_leads_to_what_was_chosen(demo_pages: Path, tab: OpenPage) -> None:
    page = tab().page
    page.goto((demo_pages / "response_by_grade.html").as_uri())
    select = page.locator("form.choice select").first
    before = page.evaluate(SHOWN)
    select.select_option(index=1)
    chosen = page.evaluate(SHOWN)
    assert chosen != before
    again = tab().page
    again.goto(page.url)
    assert again.evaluate(SHOWN) == chosen


def test_a_choice_is_made_by_the_keyboard(demo_pages: Path, tab: OpenPage) -> None:
    page = tab().page
    page.goto((demo_pages / "response_by_grade.html").as_uri())
    select = page.locator("form.choice select").first
    before = select.input_value()
    select.focus()
    page.keyboard.press("ArrowDown")
    assert select.input_value() != before
    assert page.locator(".choices .chosen").first.inner_text().startswith("Shown: ")


@pytest.mark.parametrize("address", ["#rule=unheard_of&by=nothing", "#%3Cb%3E", "#=&&=="])
def test_an_address_that_names_nothing_shows_a_section_all_the_same(
    demo_pages: Path, tab: OpenPage, address: str
) -> None:
    opened = tab()
    opened.page.goto((demo_pages / "response_by_grade.html").as_uri() + address)
    assert len(opened.page.evaluate(SHOWN)) == opened.page.locator(".choices").count()
    assert opened.complaints == []


def test_without_scripts_all_sections_are_shown(demo_pages: Path, tab: OpenPage) -> None:
    page = tab(java_script_enabled=False).page
    page.goto((demo_pages / "response_by_grade.html").as_uri())
    sections = page.locator(".choices > section")
    assert sections.count() > 3
    assert all(section.is_visible() for section in sections.all())
    assert not page.locator("form.choice").first.is_visible()


def test_on_paper_only_what_was_chosen_stands_with_its_name(
    demo_pages: Path, tab: OpenPage
) -> None:
    page = tab().page
    page.goto((demo_pages / "response_by_grade.html").as_uri())
    assert page.evaluate(SECTIONS) > page.locator(".choices").count()
    page.emulate_media(media="print")
    assert not page.locator("form.choice").first.is_visible()
    assert page.locator(".choices .chosen").first.is_visible()
    visible = [s for s in page.locator(".choices > section").all() if s.is_visible()]
    assert len(visible) == page.locator(".choices").count()
