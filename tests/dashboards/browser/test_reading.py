"""What readers do with the pages: go from month to month, and find the tables' own numbers."""

import re
from pathlib import Path

import duckdb
import polars as pl
import pytest
from playwright.sync_api import Locator, Page

from dashboards import words
from pipeline.workspace import Release
from tests.dashboards.browser.conftest import OpenPage

pytestmark = pytest.mark.browser

TABLES = """(selector) => Array.from(document.querySelectorAll(selector), (table) => ({
    caption: table.getAttribute("aria-label"),
    headings: Array.from(table.tHead.rows[0].cells, (cell) => cell.textContent.trim()),
    rows: Array.from(table.tBodies[0].rows, (row) =>
        Array.from(row.cells, (cell) => cell.textContent.trim())),
}))"""


def row_of(page: Page, caption: str, label: str) -> dict[str, str]:
    """The row of that label, by heading, in the table whose caption begins so."""
    [table] = [
        table for table in page.evaluate(TABLES, "table") if table["caption"].startswith(caption)
    ]
    [row] = [row for row in table["rows"] if row[0] == label]
    return dict(zip(table["headings"], row, strict=True))


def text_of(place: Locator) -> str:
    return " ".join(place.inner_text().split())


def test_months_lead_to_one_another(demo_pages: Path, tab: OpenPage) -> None:
    page = tab().page
    months = sorted((demo_pages / "clinics" / "alder").glob("20*.html"))
    page.goto(months[-3].as_uri())
    page.locator("a[rel=next]").first.click()
    assert page.url == months[-2].as_uri()
    assert words.month(months[-2].stem) in text_of(page.locator("h1"))
    page.locator("a[rel=prev]").first.click()
    page.locator("a[rel=prev]").first.click()
    assert page.url == months[-4].as_uri()
    page.go_back()
    assert page.url == months[-3].as_uri()
    page.goto(months[-1].as_uri())
    assert page.locator("a[rel=next]").count() == 0
    page.goto(months[0].as_uri())
    assert page.locator("a[rel=prev]").count() == 0


def test_the_start_page_leads_to_every_clinic_and_question(
    demo_pages: Path, demo_release: Release, tab: OpenPage
) -> None:
    page = tab().page
    start = (demo_pages / "index.html").as_uri()
    for site in demo_release.settings.site:
        page.goto(start)
        page.locator(f'main a[href^="clinics/{site.code}/"]').first.click()
        assert site.label in text_of(page.locator("h1"))
    page.goto(start)
    page.locator("nav.menu").get_by_role("link", name="What to expect").click()
    page.locator("main").get_by_role("link", name="Severe").click()
    assert text_of(page.locator("h1")) == "What to expect: severe symptoms"


def test_the_safety_page_shows_the_shared_tables_numbers(
    demo_pages: Path, demo_release: Release, tab: OpenPage
) -> None:
    page = tab().page
    page.goto((demo_pages / "safety.html").as_uri())
    shared = pl.read_parquet(demo_release.tables / "safety.parquet")
    everywhere = {"protocol": "all", "month": "all", "event": "all", "severity": "all"}
    seen = 0
    for site in demo_release.settings.site:
        [row] = shared.filter(**everywhere, site=site.code).to_dicts()
        told = row_of(page, "Any harm, by clinic", site.label)
        for heading, column in (("sessions", "sessions"), ("asked", "asked"), ("harms", "events")):
            if row[column] is None:
                assert told[heading] in ("<11", words.HIDDEN)
            else:
                assert told[heading] == words.count(row[column], 11)
                seen += 1
    assert seen > 5


def test_a_clinics_safety_page_shows_the_warehouses_numbers(
    demo_pages: Path, demo_release: Release, tab: OpenPage
) -> None:
    page = tab().page
    page.goto((demo_pages / "clinics/alder/safety.html").as_uri())
    with duckdb.connect(str(demo_release.warehouse), read_only=True) as connection:
        rows = connection.sql(
            "select month, sessions, asked, events from cohorts.safety where site = 'alder' "
            "and protocol = 'all' and event = 'all' and severity = 'all' and month <> 'all'"
        ).fetchall()
    assert len(rows) > 12
    for month, sessions, asked, events in rows:
        told = row_of(page, "Any harm, by month", words.month(month))
        shown = [told[heading] for heading in ("sessions", "asked", "harms")]
        assert shown == [words.count(count, 11) for count in (sessions, asked, events)]


def test_the_response_page_shows_the_shared_tables_numbers(
    demo_pages: Path, demo_release: Release, tab: OpenPage
) -> None:
    """Of the largest grade, how many were measured, and how many of these were better."""
    page = tab().page
    page.goto((demo_pages / "response_by_grade.html").as_uri())
    shared = pl.read_parquet(demo_release.tables / "response_by_grade.parquet")
    place = {"rule": "symptoms", "grading": "symptoms", "grade": "severe", "site": "all"}
    place |= {"protocol": "all", "course_kind": "all", "period": "all"}
    [row] = shared.filter(**place).to_dicts()
    counts = [words.count(row[column], 11) for column in ("evaluable", "responders")]
    rows = [
        dict(zip(table["headings"], cells, strict=True))
        for table in page.evaluate(TABLES, "table")
        for cells in table["rows"]
        if cells[0] == "severe" and {"measured", "better"} <= set(table["headings"])
    ]
    assert counts in [[told["measured"], told["better"]] for told in rows]


def test_a_sheet_draws_as_many_marks_as_it_tells(demo_pages: Path, tab: OpenPage) -> None:
    page = tab().page
    page.goto((demo_pages / "expect/severe.html").as_uri())
    picture = page.locator(".hundred > svg")
    told = re.findall(r"(\d+) better", picture.get_attribute("aria-label") or "")
    assert picture.locator("circle.better").count() == int(told[0])
    assert picture.locator(":scope > *").count() == 100
    assert text_of(page.locator("ul.key li").first).startswith(f"{told[0]} better")


def test_a_sheet_prints_on_one_page(demo_pages: Path, tab: OpenPage, tmp_path: Path) -> None:
    for grade in ("mild", "severe"):
        page = tab().page
        page.goto((demo_pages / f"expect/{grade}.html").as_uri())
        printed = page.pdf(prefer_css_page_size=True, print_background=True)
        assert len(re.findall(rb"/Type\s*/Page\b(?!s)", printed)) == 1, grade


def test_invented_data_are_marked_on_every_page(demo_pages: Path) -> None:
    unmarked = [
        file
        for file in demo_pages.rglob("*.html")
        if "Invented data.</strong>" not in file.read_text(encoding="utf-8")
    ]
    assert unmarked == []
