"""Is it safe: harms against sessions that asked, and harms that wait for a decision."""

from collections.abc import Iterator
from datetime import date

from dashboards import cautions, figures, words
from dashboards.hidden_counts import Mark
from dashboards.page import Chart, Page, Table, table
from dashboards.shared_tables import TOTAL
from dashboards.source import GROUP_MENU, Clinic, Source, clinic_menu, drawn
from dashboards.warehouse import Row, Tables

EVERYWHERE = {"protocol": TOTAL, "month": TOTAL, "severity": TOTAL}
LIMITS = (
    "Per 100 sessions that asked; lines are exact (Poisson) 95 % limits. Where none was seen, only "
    "the upper end is drawn: up to so many in 100 are not excluded. A session that did not ask "
    "counts as not asked, never as none. Redness and discomfort count too, and one session can "
    "bring several harms."
)


def pages(source: Source) -> Iterator[Page]:
    """The group's page with counts hidden, then each clinic's own with every harm."""
    waiting = [
        clinic.label for clinic in source.clinics_with_data if harms_to_settle(source, clinic)
    ]
    yield Page(
        path="safety.html",
        template="safety.html",
        title="Is it safe?",
        content={
            "harm_line": harm_line(source, source.shared, TOTAL),
            "waiting": words.listing(waiting) if waiting else "",
            "chart": _chart(source, source.shared, TOTAL),
            "by_clinic": _totals_table(
                source,
                "Any harm, by clinic",
                "Clinic",
                [
                    (clinic.label, row)
                    for clinic in source.clinics
                    for row in _any_harm(source.shared, site=clinic.code)
                ],
            ),
            "by_protocol": _totals_table(
                source,
                "Any harm, by protocol of the session",
                "Protocol",
                [
                    (label, row)
                    for code, label in source.protocols.items()
                    for row in _any_harm(source.shared, site=TOTAL, protocol=code)
                ],
            ),
            "by_severity": _severity_table(source, source.shared, TOTAL),
        },
        cautions=(cautions.NOT_A_LEAGUE, cautions.hidden_counts(source.below)),
        menu=GROUP_MENU,
    )
    for clinic in source.clinics_with_data:
        yield _clinic_page(source, clinic)


def harm_line(source: Source, tables: Tables, site: str, month: str = TOTAL) -> list[str]:
    """What is known of harm in sentences: asked, seen, and what is not excluded."""
    rows = _any_harm(tables, site=site, month=month)
    if not rows or rows[0]["sessions"] == 0:
        return ["No session was given."]
    [row] = rows
    of = f"{source.count(row['asked'])} of {source.many(row['sessions'], 'session')}"
    if row["asked"] == 0:
        return [
            f"Nobody was asked: harm was asked about in none of "
            f"{source.many(row['sessions'], 'session')}. This is not 'none seen'.",
            *_reported(source, row),
        ]
    asked = f"Harm was asked about in {of}."
    if row["events"] == 0:
        return [
            f"No harm was reported. {asked} None seen in {source.count(row['asked'])} asked means "
            f"that up to {words.per_100(row['rate_high'])} in 100 sessions are not excluded."
        ]
    return [*_reported(source, row), asked, *_rate(row)]


def _reported(source: Source, row: Row) -> list[str]:
    if row["events"] == 0:
        return []
    serious = (
        "none of them recorded as serious"
        if row["serious"] == 0
        else f"{source.count(row['serious'])} of them recorded as serious"
    )
    was = "was" if row["events"] == 1 else "were"
    return [f"{words.capital(source.many(row['events'], 'harm'))} {was} reported, {serious}."]


def _rate(row: Row) -> list[str]:
    rate = words.per_100(row["rate_per_100"])
    if rate in (words.HIDDEN, words.NONE):
        return []
    span = words.per_100_span(row["rate_low"], row["rate_high"])
    return [f"That is {rate} per 100 sessions asked (limits {span})."]


def harms_to_settle(source: Source, clinic: Clinic) -> list[Row]:
    """Those that wait for a decision, newest first; at the end those without a date."""
    rows = source.full.find("quality.harms_to_settle", site=clinic.code, settled=False)
    return sorted(
        rows, key=lambda row: (row["event_date"] or date.min, row["harm_key"]), reverse=True
    )


def _any_harm(tables: Tables, site: str, protocol: str = TOTAL, month: str = TOTAL) -> list[Row]:
    place = {"site": site, "protocol": protocol, "month": month}
    return tables.find("safety", event=TOTAL, severity=TOTAL, **place)


def _by_event(tables: Tables, site: str) -> list[Row]:
    rows = tables.find("safety", site=site, **EVERYWHERE)
    order = list(words.EVENTS)
    return sorted(rows, key=lambda row: order.index(row["event"]))


def _chart(source: Source, tables: Tables, site: str) -> Chart | None:
    rows = _by_event(tables, site)
    if not rows or rows[0]["asked"] == 0:
        return None
    return Chart(
        slug="by-event",
        heading="What was seen, per 100 sessions asked",
        reading=" ".join(harm_line(source, tables, site)),
        limits=LIMITS,
        figure=figures.dots(
            [
                figures.Dot(
                    label=words.EVENTS[row["event"]],
                    note=_note(source, row),
                    value=drawn(row["rate_per_100"]) if row["events"] else None,
                    low=drawn(row["rate_low"]),
                    high=drawn(row["rate_high"]),
                )
                for row in rows
            ],
            "per 100 sessions asked",
            colour=figures.VERMILION,
            upto=None,
        ),
        table=_event_table(source, rows),
    )


def _note(source: Source, row: Row) -> str:
    if row["events"] == 0:
        return "none seen"
    if isinstance(row["events"], Mark):
        return f"{source.count(row['events'])}, not drawn"
    return source.count(row["events"])


def _event_table(source: Source, rows: list[Row]) -> Table:
    return table(
        "Harms by what happened",
        ("Harm", "seen", "recorded as serious", "sessions asked", "per 100 asked", "95 % limits"),
        [
            (
                words.EVENTS[row["event"]],
                source.count(row["events"]),
                source.count(row["serious"]),
                source.count(row["asked"]),
                words.per_100(row["rate_per_100"]),
                words.per_100_span(row["rate_low"], row["rate_high"]),
            )
            for row in rows
        ],
    )


def _severity_table(source: Source, tables: Tables, site: str) -> Table:
    rows = tables.find("safety", site=site, protocol=TOTAL, month=TOTAL, event=TOTAL)
    by_severity = {row["severity"]: row for row in rows}
    return table(
        "Harms by severity",
        ("Severity", "seen", "recorded as serious"),
        [
            (
                label,
                source.count(by_severity[severity]["events"]),
                source.count(by_severity[severity]["serious"]),
            )
            for severity, label in words.SEVERITIES.items()
            if severity in by_severity
        ],
    )


def _totals_table(source: Source, caption: str, what: str, rows: list[tuple[str, Row]]) -> Table:
    return table(
        caption,
        (what, "sessions", "asked", "harms", "recorded as serious", "per 100 asked", "95 % limits"),
        [
            (
                label,
                *(source.count(row[c]) for c in ("sessions", "asked", "events", "serious")),
                words.per_100(row["rate_per_100"]),
                words.per_100_span(row["rate_low"], row["rate_high"]),
            )
            for label, row in rows
        ],
    )


def _clinic_page(source: Source, clinic: Clinic) -> Page:
    months = reversed(source.months(clinic))
    return Page(
        path=f"{clinic.folder}safety.html",
        template="clinic_safety.html",
        title=f"{clinic.label}: is it safe?",
        content={
            "harm_line": harm_line(source, source.full, clinic.code),
            "chart": _chart(source, source.full, clinic.code),
            "to_settle": _waiting(harms_to_settle(source, clinic)),
            "example": next((row["harm_key"] for row in harms_to_settle(source, clinic)), ""),
            "site": clinic.code,
            "as_of": source.as_of.isoformat(),
            "settled": _settled(source, clinic),
            "harms": reported(source, clinic),
            "by_month": _totals_table(
                source,
                "Any harm, by month of the session",
                "Month",
                [
                    (words.month(month), row)
                    for month in months
                    for row in _any_harm(source.full, site=clinic.code, month=month)
                ],
            ),
            "by_severity": _severity_table(source, source.full, clinic.code),
        },
        cautions=(cautions.FULL_COUNTS,),
        menu=clinic_menu(clinic),
    )


def reported(source: Source, clinic: Clinic, month: str = "") -> Table:
    """The harms themselves, newest first; of one month where it is given."""
    rows = [
        row
        for row in source.full.find("courses.adverse_events", site=clinic.code)
        if row["event_date"].isoformat().startswith(month)
    ]
    rows.sort(key=lambda row: (row["event_date"], row["harm_key"]), reverse=True)
    return table(
        f"Harms reported in {words.month(month)}" if month else "Every harm on record",
        ("Date", "what", "severity", "serious", "eye", "how it is known", "key"),
        [
            (
                words.short_day(row["event_date"]),
                words.plain(row["event"], words.EVENTS),
                words.plain(row["severity"], words.SEVERITIES),
                {True: "yes", False: "no", None: words.NONE}[row["serious"]],
                words.EYES.get(row["eye"], words.NONE),
                _known_from(row),
                row["harm_key"],
            )
            for row in rows
        ],
        words_in=tuple(range(7)),
        empty="none on record.",
    )


def _known_from(row: Row) -> str:
    how = words.plain(row["source"], words.HARM_SOURCES)
    if row["source"] != "report" or row["session_date"] is None:
        return how
    return f"{how}, after the session of {words.short_day(row['session_date'])}"


def _waiting(rows: list[Row]) -> Table:
    return table(
        "Harms that wait for a decision",
        ("Date", "what", "what became of it", "batch", "key"),
        [
            (
                words.short_day(row["event_date"]),
                _what(row),
                words.plain(row["why"], words.HARM_FATES),
                row["batch"],
                row["harm_key"],
            )
            for row in rows
        ],
        words_in=tuple(range(5)),
    )


def _what(row: Row) -> str:
    return words.listing([words.plain(event, words.EVENTS) for event in row["event"].split(", ")])


def _settled(source: Source, clinic: Clinic) -> Table:
    rows = source.full.find("quality.harms_to_settle", site=clinic.code, settled=True)
    return table(
        "Harms settled in group.toml",
        ("Key", "what", "date", "why it was listed", "decision"),
        [
            (
                row["harm_key"],
                _what(row),
                words.short_day(row["event_date"]),
                words.plain(row["why"], words.HARM_FATES),
                row["decision"],
            )
            for row in rows
        ],
        words_in=tuple(range(5)),
        empty="none.",
    )
