"""Pages for those who cannot see well or use no mouse: axe-core, and the keyboard."""

from importlib.resources import files
from pathlib import Path

import axe_playwright_python
import pytest
from playwright.sync_api import Page

from tests.dashboards.browser.conftest import DESK, OpenPage

pytestmark = pytest.mark.browser

GRAVE = {"serious", "critical"}
PHONE = {"width": 390, "height": 844}
AXE = (files(axe_playwright_python) / "axe.min.js").read_text(encoding="utf-8")
RUN_AXE = "axe.run(document, { preload: false, resultTypes: ['violations'] })"
EACH_KIND = (
    *("index.html", "response_by_grade.html", "response_by_session.html", "durability.html"),
    *("protocols.html", "sites.html", "safety.html", "quality.html", "method.html"),
    *("first_response.html", "expect.html", "expect/severe.html", "expect/mild.html"),
    *(f"clinics/alder/{name}.html" for name in ("index", "response", "safety", "quality")),
)
IN_SIGHT = """(element) => {
    const box = element.getBoundingClientRect();
    return box.width > 0 && box.bottom > 0 && box.left >= 0 && box.top < innerHeight;
}"""
FOCUSED = """() => {
    const element = document.activeElement;
    const style = getComputedStyle(element);
    return {
        tag: element.tagName,
        marked: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) > 0,
        at: Array.from(document.querySelectorAll("*")).indexOf(element),
    };
}"""
REACHABLE = """() => Array.from(
    document.querySelectorAll("a[href], summary, select, button, input, [tabindex='0']"),
).filter((element) => element.checkVisibility()).length"""


def grave_faults(page: Page) -> list[tuple[str, str]]:
    page.evaluate(AXE)
    found = page.evaluate(RUN_AXE)["violations"]
    return [(fault["id"], fault["nodes"][0]["html"]) for fault in found if fault["impact"] in GRAVE]


@pytest.mark.parametrize(
    ("size", "scheme"),
    [(DESK, "light"), (DESK, "dark"), (PHONE, "light")],
    ids=["desk", "dark", "phone"],
)
def test_axe_finds_no_grave_fault(
    demo_pages: Path, tab: OpenPage, size: dict[str, int], scheme: str
) -> None:
    page = tab(viewport=size, color_scheme=scheme, bypass_csp=True).page
    for name in EACH_KIND:
        page.goto((demo_pages / name).as_uri())
        assert grave_faults(page) == [], name


def test_axe_would_find_one(tab: OpenPage) -> None:
    page = tab(bypass_csp=True).page
    page.set_content('<html lang="en"><title>t</title><p style="color:#bbb">pale</p><img src="x">')
    assert {"color-contrast", "image-alt"} <= {fault for fault, _ in grave_faults(page)}


@pytest.mark.parametrize("name", ["index.html", "response_by_grade.html", "expect/severe.html"])
def test_all_can_be_reached_by_the_keyboard_and_focus_is_seen(
    demo_pages: Path, tab: OpenPage, name: str
) -> None:
    page = tab().page
    page.goto((demo_pages / name).as_uri())
    reachable = page.evaluate(REACHABLE)
    reached = []
    for _ in range(reachable):
        page.keyboard.press("Tab")
        focused = page.evaluate(FOCUSED)
        assert focused["marked"], (name, focused)
        reached.append(focused["at"])
    assert reached == sorted(set(reached)), "in the order of the page, each once"


def test_the_first_key_offers_to_skip_the_menu(demo_pages: Path, tab: OpenPage) -> None:
    page = tab().page
    page.goto((demo_pages / "safety.html").as_uri())
    page.keyboard.press("Tab")
    skip = page.locator("a.skip")
    assert skip.evaluate("(link) => link === document.activeElement")
    assert skip.evaluate(IN_SIGHT)
    page.keyboard.press("Enter")
    assert page.url.endswith("#content")
    page.keyboard.press("Tab")
    assert page.evaluate("document.querySelector('main').contains(document.activeElement)")


def test_a_charts_table_opens_by_the_keyboard(demo_pages: Path, tab: OpenPage) -> None:
    page = tab().page
    page.goto((demo_pages / "response_by_session.html").as_uri())
    summary = page.locator("details summary").first
    table = page.locator("details table").first
    assert not table.is_visible()
    summary.focus()
    page.keyboard.press("Enter")
    assert table.is_visible()
    page.keyboard.press("Enter")
    assert not table.is_visible()


@pytest.mark.parametrize("name", EACH_KIND)
def test_no_page_scrolls_sideways_on_a_phone(demo_pages: Path, tab: OpenPage, name: str) -> None:
    """Wide tables scroll within their own frame."""
    page = tab(viewport={"width": 360, "height": 740}).page
    page.goto((demo_pages / name).as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
