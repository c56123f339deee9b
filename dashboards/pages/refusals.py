"""What was refused or flagged on arrival, and how to mend each at the source."""

from dashboards import words
from dashboards.page import Table, table
from dashboards.shared_tables import TOTAL
from dashboards.source import Clinic, Source
from dashboards.warehouse import Row
from ingest.contract import SESSIONS, WHOLE_ROW


def of_batches(source: Source, clinic: Clinic, beginning: str = "") -> list[Table]:
    """Files and rows refused, values flagged, of batches whose name begins so: a month's too."""
    return [
        _files(source, clinic, beginning),
        _rows(source, clinic, beginning),
        _flags(source, clinic, beginning),
    ]


def in_short(source: Source, record: Row) -> str:
    """How much of a month's batches was refused or flagged, in one sentence."""
    whole, rows, flags = (
        record[count] for count in ("files_refused", "rows_refused", "values_flagged")
    )
    told = words.listing([source.many(whole, "whole file"), source.many(rows, "row")])
    return (
        f"Of this month's batches {told} {words.were(rows or whole)} refused; "
        f"{source.many(flags, 'value')} {words.were(flags)} flagged, and the row kept."
    )


def refused_sessions(source: Source, clinic: Clinic, month: str) -> bool:
    """Whether a month's batch brought sessions of which rows, or a whole file, were refused."""
    return any(
        row["file_refused"] or row["refused"]
        for row in _found(source, "quality.files", clinic, "" if month == TOTAL else month)
        if row["kind"] == SESSIONS.name
    )


def arrived(source: Source, clinic: Clinic) -> Table:
    """Every file of the clinic: what came in and what became of it, newest batch first."""
    rows = _found(source, "quality.files", clinic)
    rows.sort(key=lambda row: row["batch"], reverse=True)
    return table(
        "Every file: rows read = accepted + refused + repeats + forgotten",
        ("Batch", "kind", "file", *words.FILE_COUNTS.values()),
        [
            (
                row["batch"],
                words.plain(row["kind"], words.KINDS),
                row["file"],
                *(
                    "whole file refused" if row["file_refused"] else source.count(row[column])
                    for column in words.FILE_COUNTS
                ),
            )
            for row in rows
        ],
        words_in=(0, 1, 2),
        empty="no file has come in.",
    )


def _found(source: Source, name: str, clinic: Clinic, batch: str = "") -> list[Row]:
    rows = source.full.find(name, site=clinic.code)
    return [row for row in rows if row["batch"].startswith(batch)]


def _files(source: Source, clinic: Clinic, batch: str) -> Table:
    return table(
        "Whole files refused",
        ("File", "batch", "why, and what to do"),
        [
            (
                row["file"],
                row["batch"],
                words.sentence(words.capital(row["file_reason"] or "no reason is on record")),
            )
            for row in _found(source, "quality.files", clinic, batch)
            if row["file_refused"]
        ],
        words_in=(0, 1, 2),
        empty="none.",
    )


def _rows(source: Source, clinic: Clinic, batch: str) -> Table:
    return table(
        "Rows refused (a row counts under each of its reasons)",
        ("File", "column", "rows", "in place of a row on record", "why", "how to mend it"),
        [
            (
                f"{row['batch']} / {row['file']}",
                _column(row),
                source.count(row["rows"]),
                source.count(row["would_have_replaced"]),
                words.reason(row["reason"]),
                words.remedy(row["reason"]),
            )
            for row in _found(source, "quality.refused_reasons", clinic, batch)
        ],
        words_in=(0, 1, 4, 5),
        empty="none.",
    )


def _flags(source: Source, clinic: Clinic, batch: str) -> Table:
    return table(
        "Values flagged (the row is kept; a bad optional value counts as unknown)",
        ("File", "column", "values", "why", "how to mend it"),
        [
            (
                f"{row['batch']} / {row['file']}",
                _column(row),
                source.count(row["flagged"]),
                words.reason(row["reason"]),
                words.remedy(row["reason"]),
            )
            for row in _found(source, "quality.flagged_values", clinic, batch)
        ],
        words_in=(0, 1, 3, 4),
        empty="none.",
    )


def _column(row: Row) -> str:
    column: str = row["column_name"]
    return "the whole row" if column == WHOLE_ROW else column
