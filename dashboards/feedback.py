"""A clinic's list of what was refused or flagged, as CSV, to be mended at the source."""

from collections.abc import Iterator

from dashboards import words
from dashboards.source import Clinic, Source
from dashboards.warehouse import Row
from ingest.contract import MEANINGS, Reason
from pipeline.spreadsheets import Cell, for_spreadsheets

FILE = "refused.csv"
COLUMNS = (
    *("batch", "kind", "column", "what", "why", "what_to_do"),
    *("times", "times_before", "change", "rows_read", "rows_read_before", "first_rows"),
)
FINDINGS = {"row_refused": "row refused", "value_flagged": "value flagged"}


def feedback(source: Source, clinic: Clinic) -> str:
    """What the clinic's batches brought that was refused or flagged, newest batch first.

    Beside each finding stands what it means and what to do about it, how often it was found in the
    batch and in the one before, the rows of the kind in both, and of refused rows where the first
    ones stand. It holds no value of an export.
    """
    return for_spreadsheets([COLUMNS, *_rows(source, clinic)])


def _rows(source: Source, clinic: Clinic) -> Iterator[tuple[Cell, ...]]:
    found = source.full.find("quality.refusal_changes", site=clinic.code)
    places = {row["batch"]: row["position"] for row in _batches(source, clinic)}
    for row in sorted(found, key=lambda row: (-places[row["batch"]], -row["times"])):
        why, what_to_do = MEANINGS[Reason(row["reason"])]
        yield (
            row["batch"],
            row["kind"],
            row["column_name"],
            words.plain(row["finding"], FINDINGS),
            why,
            what_to_do,
            *(row[name] for name in COLUMNS[6:11]),
            _first_rows(source, row),
        )


def _batches(source: Source, clinic: Clinic) -> list[Row]:
    return source.full.find("staging.stg_batches", site=clinic.code)


def _first_rows(source: Source, row: Row) -> str:
    """`visits.csv: 12 40; visits-2.csv: 7`, the rows of each file, the header being row 1."""
    if row["finding"] != "row_refused":
        return ""
    same = {name: row[name] for name in ("site", "batch", "kind", "column_name", "reason")}
    told = source.full.find("quality.refused_reasons", **same)
    return "; ".join(f"{one['file']}: {one['first_rows']}" for one in told)
