"""The first page: how fresh, whether the gates passed, and which page answers which question."""

from collections.abc import Iterator

from dashboards import cautions, coarse, words
from dashboards.kinds import group_page
from dashboards.page import Link, Page, Table, Value, table
from dashboards.pages import quality, safety
from dashboards.self_check import self_check
from dashboards.shared_tables import TOTAL
from dashboards.source import Clinic, Source, drawn
from dashboards.trend import trend
from dashboards.warehouse import Row

MONTHS_SHOWN = 13


def pages(source: Source) -> Iterator[Page]:
    yield group_page(
        "index",
        title=source.settings.group.name,
        content={
            "as_of": words.day(source.as_of),
            "verdict": quality.verdict(source),
            "harm_line": safety.harm_line(
                source, source.shared, TOTAL, waiting=safety.waiting_in_group(source)
            ),
            "waiting": safety.clinics_that_wait(source),
            "self_check": self_check(source),
            "clinics": _clinics(source),
            "questions": _questions(),
        },
        read_with_care=(cautions.hidden_counts(source.below),),
    )


def _clinics(source: Source) -> Table:
    return table(
        "Each clinic's own pages, with full counts; the lines run over its last "
        f"{MONTHS_SHOWN} months. A late clinic's figures end on the day shown, and are judged as "
        "of that day",
        (
            *("Clinic", "latest month", "maintenance"),
            *("sessions a month", "in the protocol's band"),
            *("data up to", "latest batch", "freshness"),
        ),
        [
            (
                clinic.label,
                _latest_month(source, clinic),
                _who_is_due(source, clinic),
                _sessions(source, clinic),
                _in_band(source, clinic),
                words.day(clinic.cutoff),
                quality.latest_batch(source, clinic),
                _freshness(source, clinic),
            )
            for clinic in source.clinics
        ],
        words_in=tuple(range(8)),
    )


def _recent(source: Source, clinic: Clinic, table_name: str, **where: str) -> list[Row]:
    months = source.months(clinic)[-MONTHS_SHOWN:]
    found = {row["month"]: row for row in source.full.find(table_name, site=clinic.code, **where)}
    return [found.get(month, {"month": month}) for month in months]


def _span(rows: list[Row]) -> str:
    return f"{words.month(rows[0]['month'])} to {words.month(rows[-1]['month'])}"


def _sessions(source: Source, clinic: Clinic) -> Value:
    """Sessions in fifths of the busiest month; what is too few to be told stands at none."""
    rows = _recent(source, clinic, "month_summary")
    if not rows:
        return words.NONE
    steps = coarse.in_fifths([row["sessions"] for row in rows], source.below)
    if not any(steps):
        return f"fewer than {source.below} in each month"
    return trend(
        steps,
        f"Sessions a month, {_span(rows)}, in fifths of the busiest month: "
        f"{', '.join(map(str, steps))}.",
    )


def _in_band(source: Source, clinic: Clinic) -> Value:
    """Plateau temperatures in the band, so rounded that no count can be read off."""
    rows = _recent(source, clinic, "delivery", protocol=TOTAL)
    shares = [
        coarse.in_100(row.get("in_band_share"), row.get("in_band_recorded", 0)) for row in rows
    ]
    if not any(isinstance(share, int) for share in shares):
        return words.NONE
    return trend(
        [drawn(share) for share in shares],
        f"Eyes with the plateau in the protocol's band, of 100 recorded, {_span(rows)}: "
        f"{', '.join(map(words.rounded, shares))}.",
    )


def _latest_month(source: Source, clinic: Clinic) -> Link | str:
    months = source.months(clinic)
    return Link(words.month(months[-1]), f"{clinic.folder}index.html") if months else words.NONE


def _who_is_due(source: Source, clinic: Clinic) -> Link | str:
    return (
        Link("who is due", f"{clinic.folder}recall.html") if source.months(clinic) else words.NONE
    )


def _freshness(source: Source, clinic: Clinic) -> str:
    if clinic.cutoff is None:
        return "nothing has come in yet"
    if clinic.cutoff < source.as_of:
        return "late"
    return "up to date"


def _questions() -> Table:
    """Each page of the menu under the question that it answers."""
    return table(
        "Which page answers which question",
        ("Your question", "page"),
        [
            (
                "How was the month at my clinic, was anyone harmed, and what must I do?",
                Link("the clinic's latest month, above", "#clinics"),
            ),
            (
                "Who is due for maintenance, and who is overdue?",
                Link("who is due at the clinic, above", "#clinics"),
            ),
            (
                "What was refused, and how do I mend it at the source?",
                Link("Data quality", "quality.html"),
            ),
            (
                "How was the month at all clinics, side by side?",
                Link("Side by side", "side_by_side.html"),
            ),
            (
                "What can a patient be told, on a sheet to print? (clinicians)",
                Link("What to expect", "expect.html"),
            ),
            (
                "For whom does it help, and by which protocol?",
                Link("Does it help?", "response_by_grade.html"),
            ),
            (
                "After how many sessions is it seen?",
                Link("After how many sessions?", "response_by_session.html"),
            ),
            (
                "How long does it hold, and who comes back for maintenance?",
                Link("Does it last?", "durability.html"),
            ),
            ("What harm was seen, in how many asked?", Link("Is it safe?", "safety.html")),
            (
                "Where do patients leave, and how long do they wait? (leads)",
                Link("Where patients leave", "leaving.html"),
            ),
            (
                "Is it delivered as planned, at every clinic and by every protocol? (leads)",
                Link("Delivered as planned", "delivery.html"),
            ),
            (
                "How did those fare who were in the band for longer? (leads)",
                Link("Dose and response", "dose.html"),
            ),
            (
                "Do protocols differ, as far as can be told? (leads)",
                Link("Protocols compared", "protocols.html"),
            ),
            (
                "Is a difference between clinics more than chance? (leads)",
                Link("Clinics compared", "sites.html"),
            ),
            (
                "What exactly is counted, and why so?",
                Link("How it is worked out", "method.html"),
            ),
            (
                "When was a first response seen, with those who stopped? (analysts)",
                Link("Sessions until a first response", "first_response.html"),
            ),
        ],
        words_in=(0, 1),
    )
