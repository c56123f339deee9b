"""Harms that are planted wherever one could be lost are all found on the clinic's safety page."""

import csv
import re
from pathlib import Path

import pytest

from dashboards.leaving import PageTables
from pipeline.cli import carry_out
from pipeline.workspace import key_file
from tests.ingest.invented import SOUND, as_csv

pytestmark = pytest.mark.slow

HOSTILE = "<script>alert('{{ 7 * 7 }}')</script><img src=x onerror=alert(1)>\\u202e=1+1"
GROUP = f"""
[group]
name = "{HOSTILE}"

[[site]]
code = "alder"
label = "{HOSTILE}"

[[site]]
code = "birch"
label = "=cmd|' /C calc'!A0"
exports = "full"

[[protocol]]
code = "four_fortnightly"
label = "{HOSTILE}"
sessions_planned = 4

[[settled_harm]]
site = "alder"
harm = "'; drop table cohorts.safety; --"
decision = "{HOSTILE}"
decided_on = 2026-04-30
"""
FORMULA = "=hyperlink(1)"
NUMBER = re.compile(r"-?\d+")
STRANGE_FILE = "outcomes-'; drop table x; -- <img src=x onerror=alert(1)> {{ 7 * 7 }} *[a].csv"
STRANGE_COLUMN = "<img src=x onerror=alert(1)>'; drop table x; --"
REFUSED = "stands in a row that was refused"
LOWERED = "was lowered by a later batch"
WITHDRAWN = "was withdrawn, by a later batch or with its own"


def write(root: Path, place: str, kind: str, *changes: dict[str, str]) -> None:
    folder = root / "exports" / place
    folder.mkdir(parents=True, exist_ok=True)
    rows = [SOUND[kind] | change for change in changes]
    (folder / f"{kind}.csv").write_text(as_csv(rows, list(rows[0])))


def session(number: int, harm: str, **more: str) -> dict[str, str]:
    return {"session_id": f"S{number}", "adverse_event": harm} | more


@pytest.fixture(scope="module")
def pages(tmp_path_factory) -> Path:
    """The pages of two clinics, each harm of which would be lost where its row is not counted."""
    root = tmp_path_factory.mktemp("harms") / "group"
    root.mkdir()
    (root / "group.toml").write_text(GROUP)
    key_file(root).write_text("an invented key of enough length\n")
    key_file(root).chmod(0o600)
    for place in ("alder/2026-03", "alder/2026-04", "birch/2026-03", "birch/2026-04"):
        write(root, place, "visits", {})
        write(root, place, "outcomes", {})
    write(
        root,
        "alder/2026-03",
        "sessions",
        session(1, "none"),
        session(2, "redness", session_date="2026-03-10"),  # lowered in April
        session(3, "discomfort", session_date="2026-03-11", protocol="of nobody"),  # refused
        session(4, "burn", session_date="2026-03-12", max_temp_c="61"),  # above the range
        session(5, "a word of their own", session_date="2026-03-13"),  # a harm nobody can read
    )
    write(root, "alder/2026-04", "sessions", session(2, "none", session_date="2026-03-10"))
    write(
        root,
        "alder/2026-04",
        "adverse_events",
        {"event_id": "L1", "event": "other", "onset_date": "2026-04-20", "session_id": ""},  # late
        {"event_id": "L2", "event": "swelling", "severity": "beyond words"},  # refused
    )
    write(root, "alder/2026-03-20", "sessions", session(6, "corneal", session_date="2026-03-15"))
    write(root, "birch/2026-03", "sessions", session(7, "blister"), session(8, "none"))
    write(root, "birch/2026-04", "sessions", session(8, "none"))  # all there is now
    strange = SOUND["outcomes"] | {"outcome_id": "=1+1", STRANGE_COLUMN: "<b>", "eye": "=1+1"}
    strange[FORMULA] = "1"
    (root / "exports/alder/2026-04" / STRANGE_FILE).write_text(as_csv([strange], list(strange)))
    of_root = ("--quiet", "--workspace", str(root))
    assert carry_out(["withdraw", "--batch", "alder/2026-03-20", *of_root]) == 0
    assert carry_out(["run", *of_root]) == 0
    return root / "current" / "dashboards"


def table(page: Path, *headings: str) -> list[tuple[str, ...]]:
    """The columns of these headings of the page's table that has them."""
    parser = PageTables()
    parser.feed(page.read_text("utf-8"))
    for heading, *rows in filter(None, parser.tables):
        if set(headings) <= set(heading):
            places = [heading.index(name) for name in headings]
            return sorted(tuple(row[place] for place in places) for row in rows)
    return []


@pytest.mark.parametrize(
    ("site", "expected"),
    [
        (
            "alder",
            [
                ("discomfort", REFUSED),
                ("harm of a kind that could not be read", REFUSED),
                ("harm to the cornea", WITHDRAWN),
                ("redness", LOWERED),
                ("swelling", REFUSED),
            ],
        ),
        ("birch", [("blister", WITHDRAWN)]),
    ],
)
def test_each_that_no_longer_stands_waits_for_a_decision(pages, site, expected):
    page = pages / "clinics" / site / "safety.html"
    assert table(page, "what", "what became of it") == expected


def test_each_that_stands_is_on_record_late_or_above_the_range(pages):
    page = pages / "clinics" / "alder" / "safety.html"
    assert table(page, "what", "how it is known") == [
        ("burn", "noted at the session"),
        ("other harm", "reported later; session of 13\u00a0Mar\u00a02026"),
    ]


def test_a_text_from_outside_is_text_on_every_page(pages):
    """HTML, scripts, templates, and what a table's cell would be read as."""
    seen = 0
    for page in pages.rglob("*.html"):
        text = page.read_text("utf-8")
        assert "<script>alert" not in text
        assert "<img" not in text
        assert "alert('49" not in text
        seen += "&lt;script&gt;alert" in text
    assert seen > 10
    told = [page for page in pages.rglob("quality.html") if "drop table x" in page.read_text()]
    assert told


def test_a_text_from_outside_is_no_formula_in_a_csv(pages):
    told: list[str] = []
    for path in pages.rglob("*.csv"):
        for row in csv.reader(path.open(encoding="utf-8-sig", newline="")):
            texts = [cell for cell in row if not NUMBER.fullmatch(cell)]
            assert not [text for text in texts if text.startswith(tuple("=+-@\t\r"))]
            told += texts
    assert f"'{FORMULA}" in told


def test_the_first_pages_say_where_harms_wait(pages):
    for page in ("index.html", "safety.html"):
        text = (pages / page).read_text("utf-8")
        for site in ("alder", "birch"):
            assert f'href="clinics/{site}/safety.html#to-settle"' in text
