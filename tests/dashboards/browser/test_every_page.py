"""Every page of the demo, opened from the disk: no complaint, no request, no dead link."""

from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest

from tests.dashboards.browser.conftest import MARKUP, OpenPage

pytestmark = pytest.mark.browser

LARGEST = 400_000  # bytes, beside what all pages share
CHARTS_SHOWN = """Array.from(document.querySelectorAll('.chart .plot'))
    .filter((plot) => plot.checkVisibility()).length"""
ALL_DRAWN = """() => Array.from(document.querySelectorAll('.chart .plot'))
    .filter((plot) => plot.checkVisibility())
    .every((plot) => plot.querySelector('.main-svg'))"""
LINKS = "Array.from(document.querySelectorAll('a[href]'), (a) => a.href)"
IDS = "Array.from(document.querySelectorAll('[id]'), (element) => element.id)"
BUILT_FROM_TEXT = "document.querySelectorAll('img, b, svg image, .plot a').length"


def html_files(folder: Path) -> list[Path]:
    return sorted(folder.rglob("*.html"))


@pytest.mark.slow
def test_every_page_opens_from_the_disk(demo_pages: Path, tab: OpenPage) -> None:
    """Without a complaint, a request or a dead link, its charts drawn."""
    opened = tab()
    links: dict[str, str] = {}
    ids: dict[Path, set[str]] = {}
    charts = 0
    for file in html_files(demo_pages):
        opened.page.goto(file.as_uri())
        assert opened.complaints == [], file
        assert opened.requests == [], file
        assert opened.page.locator("h1").count() == 1, file
        opened.page.wait_for_function(ALL_DRAWN, timeout=10_000)
        charts += opened.page.evaluate(CHARTS_SHOWN)
        links |= dict.fromkeys(opened.page.evaluate(LINKS), str(file))
        ids[file.resolve()] = set(opened.page.evaluate(IDS))
    assert charts > 50
    assert len(links) > 100
    for link, file in links.items():
        parts = urlsplit(link)
        target = Path(unquote(parts.path)).resolve()
        assert parts.scheme == "file", (file, link)
        assert target.is_file(), (file, link)
        if parts.fragment and "=" not in parts.fragment and target in ids:
            assert parts.fragment in ids[target], (file, link)


def test_a_page_that_complains_or_asks_is_seen(tab: OpenPage, tmp_path: Path) -> None:
    bad = tmp_path / "bad.html"
    bad.write_text('<h1>x</h1><img src="http://127.0.0.1:9/x.png"><script>nothing()</script>')
    opened = tab()
    opened.page.goto(bad.as_uri())
    assert any("nothing" in complaint for complaint in opened.complaints)
    assert opened.requests == ["http://127.0.0.1:9/x.png"]


def test_no_page_is_too_large(demo_pages: Path) -> None:
    sizes = {file: file.stat().st_size for file in html_files(demo_pages)}
    assert len(sizes) > 100
    assert {file: size for file, size in sizes.items() if size >= LARGEST} == {}


def test_markup_in_any_text_stays_text(marked_up: Path, tab: OpenPage) -> None:
    opened = tab()
    shown = 0
    for file in html_files(marked_up):
        opened.page.goto(file.as_uri())
        assert opened.complaints == [], file
        assert opened.page.evaluate(BUILT_FROM_TEXT) == 0, file
        assert opened.page.evaluate("window.fired") is None, file
        assert MARKUP in opened.page.locator("header").inner_text(), file
        shown += opened.page.locator("main").inner_text().count(MARKUP)
    assert shown > 50


@pytest.mark.parametrize("text", [f"<p>{MARKUP}</p>", '<div class="plot"><a>x</a></div>'])
def test_markup_that_is_built_is_seen(text: str, tab: OpenPage) -> None:
    page = tab().page
    page.set_content(text)
    assert page.evaluate(BUILT_FROM_TEXT) > 0
