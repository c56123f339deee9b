"""Is it safe: harms against sessions that asked, and harms that wait for a decision."""

from collections.abc import Iterator
from datetime import date

import polars as pl

from dashboards import cautions, figures, words
from dashboards.hidden_counts import Mark
from dashboards.kinds import clinic_page, group_page
from dashboards.page import Chart, Key, Link, Page, Table, Value, table
from dashboards.pages import delivery, refusals
from dashboards.shared_tables import TOTAL
from dashboards.source import Clinic, Source, drawn
from dashboards.warehouse import Row, Tables

EVERYWHERE = {"protocol": TOTAL, "month": TOTAL, "severity": TOTAL}
FULL = 100
ABOVE_100 = "One session can bring several harms, so that a rate or its limit can pass 100."
LIMITS = (
    "Per 100 sessions that asked; lines are exact (Poisson) 95 % limits. Where none was counted, "
    "only the upper end is drawn: up to so many in 100 are not excluded. Asked means that a harm "
    "or 'none' was recorded for at least one eye treated that day; the other eye may not have been "
    "asked about. A session that did not ask counts as not asked, never as none. Redness and "
    f"discomfort count too. {ABOVE_100}"
)
UNREAD = "unknown"
MONTH_LETTERS = len("2026-01")


def pages(source: Source) -> Iterator[Page]:
    """The group's page with counts hidden, then each clinic's own with every harm."""
    waiting = clinics_that_wait(source)
    in_group = [
        row for clinic in source.clinics_with_data for row in harms_to_settle(source, clinic)
    ]
    yield group_page(
        "safety",
        title="Is it safe?",
        content={
            "harm_line": harm_line(source, source.shared, TOTAL, waiting=waiting_in_group(source)),
            "waiting": waiting,
            "chart": _chart(source, source.shared, TOTAL, in_group),
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
            "over_temperature": delivery.over_temperature(source, source.shared, TOTAL),
        },
        read_with_care=(cautions.NOT_A_LEAGUE, cautions.hidden_counts(source.below)),
    )
    for clinic in source.clinics_with_data:
        yield _clinic_page(source, clinic)


def harm_line(
    source: Source, tables: Tables, site: str, month: str = TOTAL, waiting: int | Mark = 0
) -> list[Value]:
    """What is known of harm in sentences: asked, counted, to settle, and what is not excluded."""
    rows = _any_harm(tables, site=site, month=month)
    if not rows or rows[0]["sessions"] == 0:
        return [*_without_session(source, site, month), *_to_settle(source, waiting)]
    [row] = rows
    sessions, asked, events = row["sessions"], row["asked"], row["events"]
    if Mark.COMPANION in (sessions, asked, events, row["serious"]):
        return [f"Harm was reported or asked about. {words.TOO_FEW}", *_to_settle(source, waiting)]
    if asked == 0:
        return [
            f"Nobody was asked: harm was asked about in none of "
            f"{source.many(sessions, 'session')}. This is not 'none seen'.",
            *_reported(source, row),
            *_to_settle(source, waiting),
        ]
    was_asked = (
        f"Harm was asked about in {source.told(asked)} of {source.many(sessions, 'session')}."
    )
    if waiting and events == 0:
        return [f"None counted; {source.told(waiting)} to settle.", was_asked]
    if events == 0:
        return [
            f"No harm was reported. {was_asked} None seen in {source.told(asked)} asked means "
            f"that up to {words.per_100(row['rate_high'])} in 100 sessions are not excluded.",
            *above_100(row),
        ]
    return [*_reported(source, row), *_to_settle(source, waiting), was_asked, *_rate(row)]


def _without_session(source: Source, site: str, month: str) -> list[Value]:
    """No session: because none was given, or because those that were sent were refused."""
    for clinic in source.clinics:
        if clinic.code == site and refusals.refused_sessions(source, clinic, month):
            return [
                "No session stands: rows of its sessions were refused. Harm may be missing here.",
                Link("What was refused, and why", f"{clinic.folder}quality.html"),
            ]
    return ["No session was given."]


def _to_settle(source: Source, waiting: int | Mark) -> list[Value]:
    return [f"{words.capital(source.told(waiting))} to settle."] if waiting else []


def _reported(source: Source, row: Row) -> list[Value]:
    events, serious = row["events"], row["serious"]
    if events == 0:
        return []
    if events == 1:
        how = "recorded as serious" if serious == 1 else "not recorded as serious"
        return [f"1 harm was counted, {how}."]
    harms = words.capital(source.many(events, "harm"))
    return [f"{harms} were counted, {source.told(serious)} of them recorded as serious."]


def _rate(row: Row) -> list[Value]:
    rate = words.per_100(row["rate_per_100"])
    if rate in (words.HIDDEN, words.NONE):
        return []
    span = words.per_100_span(row["rate_low"], row["rate_high"])
    return [f"That is {rate} per 100 sessions asked (limits {span}).", *above_100(row)]


def above_100(row: Row) -> list[Value]:
    high = row["rate_high"]
    return [ABOVE_100] if words.are_told(high) and high is not None and high > FULL else []


def to_settle(source: Source, clinic: Clinic, month: str = TOTAL) -> list[Row]:
    """Harms that wait, of one month where it is given: the day's, else that of the batch."""
    months = source.months(clinic)
    return [
        row for row in harms_to_settle(source, clinic) if month in (TOTAL, _month_of(row, months))
    ]


def _month_of(row: Row, months: list[str]) -> str:
    """A harm's month; one without a day, or with a day that cannot be, stands with its batch."""
    day = row["event_date"].isoformat() if row["event_date"] else ""
    batch: str = row["batch"]
    return day[:MONTH_LETTERS] if day[:MONTH_LETTERS] in months else batch[:MONTH_LETTERS]


def waiting_in_group(source: Source) -> int | Mark:
    """How many wait in all clinics, as it may leave a clinic."""
    waiting = len(source.full.find("quality.harms_to_settle", settled=False))
    return Mark.SMALL if 0 < waiting < source.below else waiting


def clinics_that_wait(source: Source) -> list[Link]:
    return [
        Link(clinic.label, f"{clinic.folder}safety.html#to-settle")
        for clinic in source.clinics_with_data
        if harms_to_settle(source, clinic)
    ]


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


def _chart(source: Source, tables: Tables, site: str, waiting: list[Row]) -> Chart | None:
    rows = _by_event(tables, site)
    if not rows or rows[0]["asked"] == 0:
        return None
    return Chart(
        slug="by-event",
        heading="What was counted, per 100 sessions asked",
        reading=_most_often(source, rows),
        limits=LIMITS,
        figure=figures.dots(
            [
                figures.Dot(
                    label=words.EVENTS[row["event"]],
                    note=_note(source, tables, row, waiting),
                    value=drawn(row["rate_per_100"]) if row["events"] else None,
                    low=drawn(row["rate_low"]),
                    high=drawn(row["rate_high"]),
                )
                for row in rows
            ],
            "per 100 sessions asked",
            look="harm",
            upto=None,
        ),
        table=_event_table(source, tables, rows, waiting),
    )


def _most_often(source: Source, rows: list[Row]) -> str:
    """The kinds of harm by how often each was counted, those that are told."""
    counted = [
        row
        for row in rows
        if row["event"] != TOTAL and words.are_told(row["events"]) and row["events"] > 0
    ]
    if not counted:
        hides = any(isinstance(row["events"], Mark) for row in rows)
        return words.TOO_FEW if hides else "No kind of harm was counted."
    counted.sort(key=lambda row: -row["events"])
    kinds = [f"{words.EVENTS[row['event']]} ({source.count(row['events'])})" for row in counted]
    return f"Most often first: {words.listing(kinds)}."


def _waiting_for(source: Source, tables: Tables, event: str, waiting: list[Row]) -> str:
    """How many of a kind wait; a harm with several codes waits under each, once under any."""
    found = [row for row in waiting if event in (TOTAL, *row["event"].split(", "))]
    if not found:
        return ""
    if tables is source.full:
        return f"{len(found)} to settle"
    return "some to settle"


def _note(source: Source, tables: Tables, row: Row, waiting: list[Row]) -> str:
    unsettled = _waiting_for(source, tables, row["event"], waiting)
    if row["events"] == 0:
        return f"none counted; {unsettled}" if unsettled else "none seen"
    counted = source.count(row["events"])
    if isinstance(row["events"], Mark):
        counted = f"{counted}, not drawn"
    return f"{counted}; {unsettled}" if unsettled else counted


def _event_table(source: Source, tables: Tables, rows: list[Row], waiting: list[Row]) -> Table:
    unread = _waiting_for(source, tables, UNREAD, waiting)
    return table(
        "Harms by what happened",
        (
            *("Harm", "counted", "waiting for a decision", "recorded as serious"),
            *("sessions asked", "per 100 asked", "95 % limits"),
        ),
        [
            *(
                (
                    words.EVENTS[row["event"]],
                    source.count(row["events"]),
                    _waiting_for(source, tables, row["event"], waiting) or words.NONE,
                    source.count(row["serious"]),
                    source.count(row["asked"]),
                    words.per_100(row["rate_per_100"]),
                    words.per_100_span(row["rate_low"], row["rate_high"]),
                )
                for row in rows
            ),
            *([(words.EVENTS[UNREAD], words.NONE, unread, *[words.NONE] * 4)] if unread else []),
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
        [(label, *_figures(source, row)) for label, row in rows],
    )


def _figures(source: Source, row: Row) -> tuple[str, ...]:
    return (
        *(source.count(row[c]) for c in ("sessions", "asked", "events", "serious")),
        words.per_100(row["rate_per_100"]),
        words.per_100_span(row["rate_low"], row["rate_high"]),
    )


def _device_table(source: Source, clinic: Clinic) -> Table:
    """By the clinic's own devices; never by who operated them."""
    return _totals_table(
        source,
        "Any harm, by device of the session (the clinic's own codes)",
        "Device",
        [
            ("not recorded" if row["device"] == UNREAD else row["device"], row)
            for row in source.full.find("safety_by_device", site=clinic.code)
        ],
    )


def _months_table(source: Source, clinic: Clinic) -> Table:
    return table(
        "Any harm, by month of the session (a harm that waits: by its own day)",
        (
            *("Month", "sessions", "asked", "harms", "recorded as serious", "per 100 asked"),
            *("95 % limits", "waiting for a decision"),
        ),
        [
            (
                words.month(month),
                *_figures(source, row),
                source.count(len(to_settle(source, clinic, month))),
            )
            for month in reversed(source.months(clinic))
            for row in _any_harm(source.full, site=clinic.code, month=month)
        ],
    )


def counted(source: Source, clinic: Clinic, month: str) -> str:
    """A month's harms in a table's cell: counted, not asked about, and how many wait."""
    rows = _any_harm(source.full, site=clinic.code, month=month)
    waiting = len(to_settle(source, clinic, month))
    known = [
        "not asked" if row["asked"] == 0 and row["events"] == 0 else source.count(row["events"])
        for row in rows
        if row["sessions"] or row["events"]
    ]
    return "; ".join(
        [*(known or [words.NONE]), *([f"{waiting}\u00a0to\u00a0settle"] if waiting else [])]
    )


def _clinic_page(source: Source, clinic: Clinic) -> Page:
    waiting = harms_to_settle(source, clinic)
    return clinic_page(
        clinic,
        "safety",
        "clinic_safety",
        title=f"{clinic.label}: is it safe?",
        content={
            "harm_line": [
                *harm_line(source, source.full, clinic.code, waiting=len(waiting)),
                *([Link("Harms to settle", "#to-settle")] if waiting else []),
            ],
            "chart": _chart(source, source.full, clinic.code, waiting),
            "to_settle": _waiting(waiting),
            "example": next((row["harm_key"] for row in waiting), ""),
            "site": clinic.code,
            "as_of": source.as_of.isoformat(),
            "settled": _settled(source, clinic),
            "harms": reported(source, clinic),
            "by_month": _months_table(source, clinic),
            "by_severity": _severity_table(source, source.full, clinic.code),
            "by_device": _device_table(source, clinic),
            "over_temperature": delivery.over_temperature(source, source.full, clinic.code),
        },
    )


def reported(source: Source, clinic: Clinic, month: str = "") -> Table:
    """The harms themselves, newest first; those of one month's sessions where it is given."""
    belongs_to = pl.coalesce("session_date", "event_date").dt.to_string("iso")
    rows = source.full.find(
        "courses.adverse_events", belongs_to.str.starts_with(month), site=clinic.code
    )
    rows.sort(key=lambda row: (row["event_date"], row["harm_key"]), reverse=True)
    return table(
        f"Harms of the sessions of {words.month(month)}" if month else "Every harm on record",
        ("Date", "what", "severity", "serious", "eye", "how it is known", "key"),
        [
            (
                words.short_day(row["event_date"]),
                words.plain(row["event"], words.EVENTS),
                words.together(words.plain(row["severity"], words.SEVERITIES)),
                words.together({True: "yes", False: "no", None: "not recorded"}[row["serious"]]),
                words.EYES.get(row["eye"], words.NONE),
                _known_from(row),
                Key(row["harm_key"]),
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
    return f"{how}; session of {words.short_day(row['session_date'])}"


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
                Key(row["harm_key"]),
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
                Key(row["harm_key"]),
                _what(row),
                words.short_day(row["event_date"]),
                words.plain(row["why"], words.HARM_FATES),
                row["decision"] or words.NONE,
            )
            for row in rows
        ],
        words_in=tuple(range(5)),
        empty="none.",
    )
