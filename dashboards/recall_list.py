"""Who is on a clinic's recall list, and the list as CSV for a spreadsheet."""

from dashboards.source import Clinic, Source
from dashboards.warehouse import Row
from pipeline.spreadsheets import for_spreadsheets

FILE = "recall.csv"
COLUMNS = (
    *("patient_key", "status", "last_session", "due_from", "due_by", "days_overdue"),
    "patient_status",
)


def recall_list(source: Source, clinic: Clinic) -> str:
    """Overdue and due patients by the last day of their window; days as YYYY-MM-DD."""
    listed = on_list(source, clinic)
    return for_spreadsheets(
        [COLUMNS, *([_cell(row, column) for column in COLUMNS] for row in listed)]
    )


def on_list(source: Source, clinic: Clinic, **where: object) -> list[Row]:
    """Rows of recall_due that are on the list, the earliest last day of the window first."""
    rows = source.full.find("recall_due", site=clinic.code, on_list=True, **where)
    return sorted(rows, key=lambda row: (row["due_by"], row["due_from"], row["patient_key"]))


def _cell(row: Row, column: str) -> str | int:
    value = row[column]
    return value if isinstance(value, int) else str(value)
