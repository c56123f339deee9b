"""The first page: how fresh, whether the gates passed, and which page answers which question."""

from collections.abc import Iterator

from dashboards import cautions, words
from dashboards.page import Link, Page, Table, table
from dashboards.pages import quality, safety
from dashboards.self_check import self_check
from dashboards.shared_tables import TOTAL
from dashboards.source import GROUP_MENU, Clinic, Source


def pages(source: Source) -> Iterator[Page]:
    yield Page(
        path="index.html",
        template="start.html",
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
        cautions=(cautions.hidden_counts(source.below),),
        menu=GROUP_MENU,
    )


def _clinics(source: Source) -> Table:
    return table(
        "Each clinic's own pages, with full counts",
        ("Clinic", "latest month", "data up to", "latest batch", "freshness"),
        [
            (
                clinic.label,
                _latest_month(source, clinic),
                words.day(clinic.cutoff),
                quality.latest_batch(source, clinic),
                _freshness(source, clinic),
            )
            for clinic in source.clinics
        ],
        words_in=(0, 1, 2, 3, 4),
    )


def _latest_month(source: Source, clinic: Clinic) -> Link | str:
    months = source.months(clinic)
    return Link(words.month(months[-1]), f"{clinic.folder}index.html") if months else words.NONE


def _freshness(source: Source, clinic: Clinic) -> str:
    if clinic.cutoff is None:
        return "nothing has come in yet"
    if clinic.cutoff < source.as_of:
        return "late: its figures end on the day shown, and are judged as of that day"
    return "up to date"


def _questions() -> Table:
    return table(
        "Which page answers which question",
        ("Your question", "page"),
        [
            (
                "How was the month at my clinic? Who is due? Was anyone harmed?",
                Link("the clinic's latest month, above", "#clinics"),
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
            (
                "Which protocol works better, as far as can be told? (leads)",
                Link("Protocols compared", "protocols.html"),
            ),
            (
                "Is a difference between clinics more than chance? (leads)",
                Link("Clinics compared", "sites.html"),
            ),
            ("What harm was seen, in how many asked?", Link("Is it safe?", "safety.html")),
            (
                "What was refused, and what do I mend at the source?",
                Link("Data quality", "quality.html"),
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
