"""Each kind of page on paper, in a real Chromium: no chart or table is wider than the sheet.

A page is loaded as on a desk, told that it is about to be printed, and then laid out by the print
rules in a body as wide as A4 between its margins, where its parts are measured.
"""

import html
import json
import re
import shutil
import subprocess
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from pypdf import PdfReader

from dashboards.publish import ASSETS
from pipeline.chromium import OPTIONS, find_browser, print_page
from pipeline.workspace import Release

pytestmark = pytest.mark.browser

MM = 96 / 25.4  # CSS pixels
MARGINS_MM = 15 + 15
SHEET_PX = (210 - MARGINS_MM) * MM
ONE_OF_A_KIND = re.compile(r"(?!clinics/)|clinics/alder/(?!2026-0[1-3]|index)")
LEFT_OFF = (  # what a chart tells month by month, and what a clinic's refused.csv holds
    *("Every month", "Sessions and courses", "Courses whose follow-up ended, by the symptom"),
    *("Delivered as planned, of 100", "Hottest moment above the ceiling"),
    *("Whole files refused", "Rows refused", "Values flagged", "Every file"),
)
AT_ONCE = 2
MEASURE = """
addEventListener("load", () => {
  dispatchEvent(new Event("beforeprint"));
  document.getElementById("print-rules").media = "all";
  document.body.style.width = "SHEETpx";
  setTimeout(() => {
    const sheet = document.body.getBoundingClientRect();
    const parts = Array.from(document.querySelectorAll("table, pre, .plot, .plot svg, dl, p"));
    const shown = parts.filter((part) => part.checkVisibility());
    const told = parts.filter((part) => !part.closest("[hidden]") && part.textContent.trim());
    const kept = told.filter((part) => !part.closest(".off-paper"));
    document.title = JSON.stringify({
      parts: shown.map((part) => part.tagName),
      left_off: Array.from(document.querySelectorAll(".off-paper table"))
        .map((table) => table.getAttribute("aria-label")),
      folded: kept.filter((part) => !shown.includes(part)).map((part) => part.tagName),
      wide: shown
        .filter((part) => part.getBoundingClientRect().right > sheet.right + 1)
        .map((part) => `${part.tagName} ${part.getAttribute("aria-label") || part.className}`),
      scrolled: shown
        .concat(Array.from(document.querySelectorAll(".scroll")))
        .filter((part) => part.scrollWidth > part.clientWidth + 1 && part.clientWidth)
        .filter((part) => getComputedStyle(part).overflowX !== "visible")
        .map((part) => part.tagName),
    });
  }, 500);
});
""".replace("SHEET", f"{SHEET_PX:.1f}")

Measured = dict[str, list[str]]


@pytest.fixture
def measured(release: Release, tmp_path: Path) -> Callable[..., Measured]:
    """A page's parts as they would be printed, perhaps without a part of a style or script."""

    def measure(
        kind: str, without: dict[str, str] | None = None, *, longer: bool = False
    ) -> Measured:
        root = tmp_path / kind.replace("/", "-")
        page, assets = root / f"{kind}.html", root / "assets"
        page.parent.mkdir(parents=True)
        shutil.copytree(release.dashboards / "assets", assets)
        for rule, instead in (without or {}).items():
            [asset] = [assets / name for name in ASSETS if rule in (assets / name).read_text()]
            asset.write_text(asset.read_text().replace(rule, instead))
        css = (assets / "pages.css").read_text()
        (assets / "print.css").write_text(css.replace("@media print", "@media all"))
        (assets / "measure.js").write_text(MEASURE)
        to = "../" * kind.count("/") + "assets"
        text = (release.dashboards / f"{kind}.html").read_text()
        if longer:
            text = text.replace("WORKSPACE/", "a-folder-with-a-name/" * 6)
        page.write_text(
            text.replace(
                "</head>",
                f'<link id="print-rules" media="not all" rel="stylesheet" href="{to}/print.css">'
                "</head>",
            ).replace("</body>", f'<script src="{to}/measure.js"></script></body>')
        )
        dom = subprocess.run(
            [
                *(str(find_browser()), *OPTIONS, "--no-sandbox", "--window-size=1280,900"),
                *(f"--user-data-dir={root}/profile", "--dump-dom", page.as_uri()),
            ],
            capture_output=True,
            check=True,
            text=True,
            timeout=120,
        ).stdout
        title = re.search("<title>(.*?)</title>", dom, re.DOTALL)
        assert title
        told: Measured = json.loads(html.unescape(title[1]))
        return told

    return measure


def test_nothing_is_wider_than_the_sheet_cut_or_folded_away(
    measured: Callable[..., Measured], pages: dict[str, str]
) -> None:
    kinds = [path.removesuffix(".html") for path in pages if ONE_OF_A_KIND.match(path)]
    assert len(kinds) > 12
    with ThreadPoolExecutor(AT_ONCE) as pool:
        told = dict(zip(kinds, pool.map(measured, kinds), strict=True))
    assert {tag for page in told.values() for tag in page["parts"]} >= {"TABLE", "PRE", "svg"}
    for fault in ("wide", "scrolled", "folded"):
        assert {kind: page[fault] for kind, page in told.items() if page[fault]} == {}
    left_off = {name for page in told.values() for name in page["left_off"]}
    assert {name for name in left_off if not name.startswith(LEFT_OFF)} == set()


@pytest.mark.parametrize(
    ("fault", "kind", "rules"),
    [
        ("folded", "quality", {"content-visibility: visible;": ""}),
        ("wide", "durability", {"const PAPER_PX = 880;": "const PAPER_PX = 0;"}),
        ("wide", "durability", {"zoom: 0.75;": ""}),
        (
            "wide",
            "protocols",
            {
                "  th, td { padding: 0.15rem 0.3rem; }": "",
                "  table:has(th:nth-child(9)) { font-size: 0.74rem; }": "",
                "  table:has(th:nth-child(9)) :is(th, td) { padding-left: 0.2rem; "
                "padding-right: 0.2rem; }": "",
            },
        ),
    ],
)
def test_without_its_rules_it_would_not_be_so(
    measured: Callable[..., Measured], fault: str, kind: str, rules: dict[str, str]
) -> None:
    assert measured(kind, rules)[fault]


@pytest.mark.parametrize(
    ("rules", "cut"),
    [({}, []), ({"pre { white-space: pre-wrap; overflow: visible; }": ""}, ["PRE"])],
)
def test_a_long_line_to_be_typed_runs_on_in_the_next(
    measured: Callable[..., Measured], rules: dict[str, str], cut: list[str]
) -> None:
    told = measured("clinics/alder/recall", rules, longer=True)
    assert (told["wide"], told["scrolled"]) == ([], cut)


def test_a_printed_page_is_a4_with_its_number_and_no_menu(release: Release, tmp_path: Path) -> None:
    pdf = tmp_path / "page.pdf"
    page = release.dashboards / "clinics" / "alder" / "recall.html"
    print_page(find_browser(), page, pdf, tmp_path / "profile")
    [sheet, *_] = PdfReader(pdf).pages
    points = [float(side) * 25.4 / 72 for side in (sheet.mediabox.width, sheet.mediabox.height)]
    assert points == pytest.approx([210, 297], abs=0.5)
    words = sheet.extract_text()
    foot, *_ = words.splitlines()  # as a PDF's text has it: what stands in the margin comes first
    assert re.match(r"1 / \d", foot)
    assert foot.endswith("Alder <script>alert(1)</script> & Row: who is due for maintenance")
    assert "How it is worked out" not in words  # the menu's, not the footer's
    assert "screen again first" in words


KEPT_FREE = {
    "padding: var(--step) 0 calc(3 * var(--step)); f": "padding: var(--step) 0 0; f",
    "footer { margin-top: calc(-3 * var(--step));": "footer { margin-top: 0;",
}


@pytest.mark.parametrize(("without", "alone"), [({}, False), (KEPT_FREE, True)])
def test_the_footer_never_stands_on_a_sheet_alone(
    release: Release, tmp_path: Path, without: dict[str, str], alone: bool
) -> None:
    """Printed with the cautions at each height of a sheet, a line lower every time."""
    css = (release.dashboards / "assets" / "pages.css").read_text()
    for rule, instead in without.items():
        assert css.count(rule) == 1
        css = css.replace(rule, instead)
    [main] = re.findall("<main.*</footer>", (release.dashboards / "dose.html").read_text(), re.S)
    cautions = main[main.index('<aside class="cautions"') :]
    lower = [f'<main><div style="height: {line}em"></div>{cautions}' for line in range(72)]
    page = tmp_path / "page.html"
    style = f"<style>{css} main {{ break-before: page; }}</style>"
    page.write_text(f"<!doctype html>{style}{''.join(lower)}")
    pdf = tmp_path / "page.pdf"
    print_page(find_browser(), page, pdf, tmp_path / "profile")
    sheets = [sheet.extract_text() for sheet in PdfReader(pdf).pages]
    ended = [sheet for sheet in sheets if "how every figure is worked out" in sheet]
    assert len(ended) == len(lower)
    assert len(sheets) > len(lower)  # some cautions went over to a sheet of their own
    assert any("Read with care" not in sheet for sheet in ended) is alone
