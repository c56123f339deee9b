"""The list of what a clinic should mend: what it says, and in which order."""

import csv
import io

from dashboards.feedback import COLUMNS, FILE, FINDINGS
from ingest.contract import MEANINGS, Reason
from pipeline.workspace import Release


def listed(release: Release, site: str) -> list[dict[str, str]]:
    text = (release.dashboards / "clinics" / site / FILE).read_text("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_it_tells_why_how_to_mend_it_and_how_it_changed(release: Release) -> None:
    why, what_to_do = MEANINGS[Reason.MISSING]
    [row] = [
        row for row in listed(release, "alder") if (row["batch"], row["times"]) == ("2026-04", "3")
    ]
    assert row == {
        "batch": "2026-04",
        "kind": "outcomes",
        "column": "value",
        "what": "row refused",
        "why": why,
        "what_to_do": what_to_do,
        "times": "3",
        "times_before": "1",
        "change": "2",
        "rows_read": "120",
        "rows_read_before": "120",
        "first_rows": "outcomes.csv: 5 9 21",
    }


def test_the_newest_batch_comes_first_and_in_it_what_is_most(release: Release) -> None:
    order = [(row["batch"], row["times"]) for row in listed(release, "alder")]
    assert order == [("2026-04", "7"), ("2026-04", "3"), ("2026-04", "0"), ("2026-03", "1")]


def test_what_was_mended_stays_a_number(release: Release) -> None:
    [row] = [row for row in listed(release, "alder") if row["column"] == "eye"]
    assert (row["times"], row["change"]) == ("0", "-5")


def test_a_clinic_without_a_finding_has_an_empty_list_and_no_other_clinics(
    release: Release,
) -> None:
    assert listed(release, "birch") == []
    text = (release.dashboards / "clinics" / "birch" / FILE).read_text("utf-8-sig")
    assert text == ",".join(COLUMNS) + "\n"


def test_a_column_named_like_a_formula_is_marked_as_text(release: Release) -> None:
    [row] = [row for row in listed(release, "alder") if row["what"] == FINDINGS["value_flagged"]]
    assert row["column"] == "'=1+1"
