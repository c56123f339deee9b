"""All clinics in one month, a row each, for whoever owns several: counts hidden."""

from collections.abc import Iterator

from dashboards import cautions, words
from dashboards.kinds import group_page
from dashboards.page import Link, Page, Table, Value, table
from dashboards.shared_tables import TOTAL
from dashboards.source import Clinic, Source
from dashboards.warehouse import Row

COUNTS = {
    "sessions": "sessions",
    "asked": "asked about harm",
    "events": "harms counted",
    "new_courses": "courses begun",
    "completed": "completed",
    "stopped": "broken off",
    "evaluable": "measured at the end",
}
RECALLS = {"due": "due now", "overdue": "overdue now"}


def pages(source: Source) -> Iterator[Page]:
    rows = source.shared.find("months_side_by_side")
    month = rows[0]["month"] if rows else None
    title = f"Clinics side by side, {words.month(month)}" if month else "Clinics side by side"
    yield group_page(
        "side_by_side",
        title=title,
        content={
            "lead": _lead(source, rows),
            "clinics": _table(source, rows, month) if month else None,
            "gap": source.settings.numbers.course_gap_days,
            "without": _without(source, rows),
        },
        read_with_care=(
            cautions.NOT_A_LEAGUE,
            cautions.OWN_GRADES,
            cautions.hidden_counts(source.below),
        ),
    )


def _lead(source: Source, rows: list[Row]) -> str:
    totals = [row for row in rows if row["is_total"]]
    if not totals:
        return "No clinic's data cover a calendar month to its end yet."
    [row] = totals
    over = f"{words.month(row['month'])} is the latest month that is over."
    if not words.are_told(row["sessions"], row["new_courses"]):
        return over
    sessions = source.many(row["sessions"], "session")
    begun = source.many(row["new_courses"], "course")
    return f"{over} All clinics together gave {sessions}, and {begun} began."


def _table(source: Source, rows: list[Row], month: str) -> Table:
    by_site = {row["site"]: row for row in rows}
    named = [
        *((clinic.code, _name(clinic, month)) for clinic in source.clinics),
        (TOTAL, "all clinics"),
    ]
    return table(
        f"{words.month(month)}, clinic by clinic",
        (
            *("Clinic", *COUNTS.values(), "better of 100 measured"),
            *("in band, of 100 eyes", *RECALLS.values()),
        ),
        [
            (
                name,
                *(source.count(by_site[site][count]) for count in COUNTS),
                words.in_100(by_site[site]["response_rate"]),
                words.in_100(by_site[site]["in_band_share"]),
                *_recalls(source, site),
            )
            for site, name in named
            if site in by_site
        ],
    )


def _name(clinic: Clinic, month: str) -> Value:
    return Link(clinic.label, f"{clinic.folder}{month}.html")


def _recalls(source: Source, site: str) -> list[str]:
    """Who is due and overdue at the end of the clinic's data, not of the month."""
    rows = source.shared.find("maintenance_adherence", site=site, protocol=TOTAL, grade=TOTAL)
    return [source.count(rows[0][count]) if rows else words.NONE for count in RECALLS]


def _without(source: Source, rows: list[Row]) -> list[str]:
    """Clinics of which the month says nothing, or not all."""
    shown = {row["site"] for row in rows}
    return [
        f"{clinic.label}: no data of this month yet"
        if clinic.code not in shown
        else f"{clinic.label}: only up to {words.day(clinic.cutoff)}"
        for clinic in source.clinics
        if rows and (clinic.code not in shown or _ends_within(clinic, rows[0]["month"]))
    ]


def _ends_within(clinic: Clinic, month: str) -> bool:
    """Whether a clinic that has a row for the month has it only in part."""
    if clinic.cutoff is None or clinic.cutoff.isoformat()[:7] != month:
        return False
    return words.month_ends_on(month) > clinic.cutoff
