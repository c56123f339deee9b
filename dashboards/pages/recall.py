"""Who is due back at a clinic: the list to review, and how its keys become the clinic's numbers."""

from collections.abc import Callable, Iterator, Mapping

from dashboards import cautions, words
from dashboards.kinds import clinic_page
from dashboards.page import Key, Page, Table, table
from dashboards.recall_list import FILE, on_list
from dashboards.source import Clinic, Source
from dashboards.warehouse import Row

ROWS_SHOWN = 300  # a status: more make a page that nobody reads, and the file holds them all


def pages(source: Source) -> Iterator[Page]:
    for clinic in source.clinics_with_data:
        yield _page(source, clinic)


def _page(source: Source, clinic: Clinic) -> Page:
    overdue = on_list(source, clinic, status="overdue")
    due = on_list(source, clinic, status="due")
    return clinic_page(
        clinic,
        "recall",
        "recall",
        title=f"{clinic.label}: who is due for maintenance",
        content={
            "lead": _lead(source, clinic, due, overdue),
            "counted": (
                "The wait is counted from the last day of a completed course, or from the last "
                "maintenance session, with the days that group.toml gives for the protocol: common "
                "practice, no source. Only sessions that were exported are known here: somebody "
                "treated since, or elsewhere, still stands on the list."
            ),
            "file": FILE,
            "overdue": _table(
                source,
                "Overdue: the last day of the window has passed, longest ago first",
                overdue,
                {"days overdue": lambda row: source.count(row["days_overdue"])},
            ),
            "due": _table(
                source,
                "Due: within the window, the one that ends soonest first",
                due,
                {"due since": lambda row: words.short_day(row["due_from"])},
            ),
            "left_out": _left_out(source, clinic),
            "site": clinic.code,
        },
        read_with_care=(cautions.RECALL,),
    )


def _lead(source: Source, clinic: Clinic, due: list[Row], overdue: list[Row]) -> str:
    return (
        f"On {words.day(clinic.cutoff)}, the last day that {clinic.label} has sent, "
        f"{source.many(len(due), 'patient')} on this list {words.were(len(due))} due for "
        f"maintenance and {source.told(len(overdue))} {words.were(len(overdue))} overdue."
    )


def _table(
    source: Source, caption: str, rows: list[Row], more: Mapping[str, Callable[[Row], str]]
) -> Table:
    shown = rows[:ROWS_SHOWN]
    cut = f" (the first {len(shown)} of {len(rows)}; {FILE} holds all)" if shown != rows else ""
    return table(
        caption + cut,
        ("Patient", *more, "last session", "last day of the window", "patient's status"),
        [
            (
                Key(row["patient_key"]),
                *(told(row) for told in more.values()),
                words.short_day(row["last_session"]),
                words.short_day(row["due_by"]),
                words.plain(row["patient_status"], words.PATIENT_STATUSES),
            )
            for row in shown
        ],
        words_in=(0, 4),
        empty="nobody.",
    )


def _left_out(source: Source, clinic: Clinic) -> str:
    """Who would be due by the dates alone, and why they are not on the list."""
    rows = source.full.find("recall_due", site=clinic.code, on_list=False)
    if not rows:
        return ""
    whys = [words.plain(code, words.PATIENT_STATUSES) for code in words.PATIENT_STATUSES]
    found = {words.plain(row["patient_status"], words.PATIENT_STATUSES) for row in rows}
    named = words.listing([why for why in whys if why in found])
    return (
        f"{words.capital(source.many(len(rows), 'more patient'))} would be due or overdue by the "
        f"dates, but by the clinic's own export they are not to be called: {named}. "
        "The month page counts them too, and so its figures may be higher."
    )
