"""The recall list: who is on it, in which order, and that page and file tell the same."""

import csv
import io
import re
from pathlib import Path
from types import ModuleType

import duckdb
import pytest

from dashboards import cautions, publish
from dashboards.pages import recall
from dashboards.recall_list import COLUMNS, FILE
from pipeline.workspace import Release


def listed(release: Release, site: str) -> list[dict[str, str]]:
    text = (release.dashboards / "clinics" / site / FILE).read_text("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text, newline="")))


def keys_on(page: str) -> list[str]:
    return re.findall('<code class="key">(.*?)</code>', page)


def page_of(release: Release, site: str) -> str:
    return (release.dashboards / "clinics" / site / "recall.html").read_text()


def test_overdue_and_due_by_the_last_day_of_the_window(release: Release) -> None:
    assert [(row["patient_key"], row["due_by"]) for row in listed(release, "alder")] == [
        ("'=p4", "2026-03-01"),
        ("p3", "2026-04-20"),
        ("p2", "2026-08-05"),
        ("p1", "2026-10-01"),
    ]


def test_a_row_tells_the_days_and_the_patients_status(release: Release) -> None:
    assert listed(release, "alder")[1] == {
        "patient_key": "p3",
        "status": "overdue",
        "last_session": "2025-04-20",
        "due_from": "2025-10-17",
        "due_by": "2026-04-20",
        "days_overdue": "10",
        "patient_status": "active",
    }


def test_whoever_is_not_to_be_called_is_on_neither_list_and_is_counted(
    release: Release, pages: dict[str, str]
) -> None:
    for key in ("p5", "p6"):
        assert key not in [row["patient_key"] for row in listed(release, "alder")]
        assert key not in keys_on(pages["clinics/alder/recall.html"])
    assert (
        "2 more patients would be due or overdue by the dates, but by the clinic's own export "
        "they are not to be called: moved away and died."
    ) in pages["clinics/alder/recall.html"].replace("&#39;", "'")
    assert "would be due or overdue" not in pages["clinics/cedar/recall.html"]


def test_the_page_lists_overdue_then_due_as_the_file_does(pages: dict[str, str]) -> None:
    page = pages["clinics/alder/recall.html"]
    assert keys_on(page) == ["=p4", "p3", "p2", "p1"]
    assert page.index("=p4") < page.index('id="due"') < page.index("p2</code>")
    assert "2 patients on this list were due for maintenance and 2 were overdue." in page


def test_a_clinic_with_nobody_to_call_says_so(release: Release, pages: dict[str, str]) -> None:
    page = pages["clinics/birch/recall.html"]
    assert "no patient on this list was due for maintenance and none was overdue." in page
    assert keys_on(page) == []
    assert page.count(": nobody.") == 2
    text = (release.dashboards / "clinics" / "birch" / FILE).read_text("utf-8-sig")
    assert text == ",".join(COLUMNS) + "\n"


def test_the_page_says_to_screen_again_and_how_keys_become_numbers(pages: dict[str, str]) -> None:
    page = pages["clinics/alder/recall.html"]
    assert cautions.RECALL in page
    assert "screen again first. It knows of no reason not to treat" in page
    assert "lidcohort reveal --workspace WORKSPACE --site alder" in page


def test_keys_stand_on_no_page_of_the_group(pages: dict[str, str]) -> None:
    for path, text in pages.items():
        assert path.startswith("clinics/alder/") or "=p4" not in text, path


@pytest.mark.parametrize("shown", [1, 2])
def test_a_long_list_is_cut_on_the_page_and_whole_in_the_file(
    invented: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, shown: int
) -> None:
    monkeypatch.setattr(recall, "ROWS_SHOWN", shown)
    made = invented.make_release(tmp_path / "release", courses=60)
    publish(made)
    page = page_of(made, "alder")
    assert len(keys_on(page)) == 2 * shown
    assert ("the first 1 of 2; recall.csv holds all" in page) == (shown == 1)
    assert len(listed(made, "alder")) == 4


def test_the_window_and_not_the_key_orders_those_of_one_day(
    invented: ModuleType, tmp_path: Path
) -> None:
    made = invented.make_release(tmp_path / "release", courses=60)
    with duckdb.connect(str(made.warehouse)) as connection:
        connection.execute("update cohorts.recall_due set due_by = '2026-08-05'")
    publish(made)
    order = [row["due_from"] for row in listed(made, "alder")]
    assert order == sorted(order)
    assert order[0] != order[-1]
