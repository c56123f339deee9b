"""How it is worked out: each definition in plain words, with this group's own numbers."""

import re
from collections.abc import Iterator

from dashboards import cautions, words
from dashboards.kinds import group_page
from dashboards.page import Link, Page, Table, table
from dashboards.pages.response import rule_in_words
from dashboards.source import HEADLINE_TOLD, Source
from dashboards.warehouse import Row
from models.docs import estimands
from pipeline.settings import Protocol

COMMON = "common practice, no source"
# Each published table that estimates something: what it tells, and the page that shows it.
TABLES = {
    "response_by_grade": Link("Better at the final evaluation", "response_by_grade.html"),
    "response_at_session": Link("Better after each session", "response_by_session.html"),
    "sessions_to_response": Link("First response seen", "first_response.html"),
    "durability": Link("Seen to hold", "durability.html"),
    "maintenance_return": Link("Came back for maintenance", "durability.html"),
    "maintenance_adherence": Link("Returned on time", ""),
    "follow_up_completeness": Link("How far patients were followed", "durability.html"),
    "protocol_comparison": Link("Protocols compared", "protocols.html"),
    "band_homogeneity": Link("Alike in every grade", "protocols.html"),
    "site_comparison": Link("Clinics compared", "sites.html"),
    "safety": Link("Harms per 100 sessions asked", "safety.html"),
    "safety_by_device": Link("Harms per 100 sessions asked, by device", ""),
    "delivery": Link("Delivered as planned", "delivery.html"),
    "dose_response": Link("Better by heating time in the band", "dose.html"),
    "home_care": Link("Home care halved", ""),
    "expected_course": Link("What to expect at the end", "expect.html"),
    "expected_at_session": Link("What to expect after each session", "expect.html"),
    "felt_in_courses": Link("What was felt in a course", "expect.html"),
    "course_funnel": Link("From assessment to completed course, month by month", ""),
    "leaving": Link("Where patients leave", "leaving.html"),
    "waiting_times": Link("How long patients waited", "leaving.html"),
    "month_outcomes": Link("Better in a month, and what chance gives", ""),
    "month_home_care": Link("Home care before and after, in a month", ""),
    "months_side_by_side": Link("Clinics side by side", "side_by_side.html"),
}
PARTS = {
    "population": "Who is counted",
    "variable": "What is measured",
    "intercurrent_events": "What may come between",
    "summary": "The figure",
}
CODE = re.compile("`(\\w+)`")


def pages(source: Source) -> Iterator[Page]:
    yield group_page(
        "method",
        title="How it is worked out",
        content={
            "headline": HEADLINE_TOLD,
            "numbers": source.settings.numbers,
            "below": source.below,
            "protocols": _protocols(source),
            "rules": [
                {
                    "heading": words.RULES[rule["rule"]],
                    "words": rule_in_words(rule),
                    "source": rule["source"],
                    "basis": rule["basis"],
                }
                for rule in source.rules
            ],
            "bands": _bands(source),
            "unsourced": _unsourced(source),
            "estimands": _estimands(),
            "cutoffs": table(
                "Where each clinic's data end",
                ("Clinic", "data up to", "exports hold"),
                [
                    (
                        clinic.label,
                        words.day(clinic.cutoff),
                        "everything, each time"
                        if clinic.exports == "full"
                        else "new and changed rows",
                    )
                    for clinic in source.clinics
                ],
                words_in=(0, 1, 2),
            ),
        },
        read_with_care=(cautions.OWN_GRADES,),
    )


def _estimands() -> list[dict[str, object]]:
    """What each published table estimates, as its model's docs say it."""
    stated = estimands()
    return [
        {
            "slug": name,
            "shown": TABLES.get(name, Link(words.capital(name.replace("_", " ")), "")),
            "parts": [
                (heading, CODE.sub(_in_words, getattr(stated[name], part)))
                for part, heading in PARTS.items()
            ],
        }
        for name in sorted(stated, key=_place)
    ]


def _place(name: str) -> int:
    return list(TABLES).index(name) if name in TABLES else len(TABLES)


def _in_words(code: re.Match[str]) -> str:
    return f"'{words.plain(code[1], words.ESTIMANDS)}'"


def _protocols(source: Source) -> Table:
    return table(
        f"The group's protocols, from group.toml (temperatures, minutes, intervals: {COMMON})",
        (
            *("Protocol", "sessions planned", "days between", "band, °C", "ceiling, °C"),
            *("heating an eye, min", "maintenance after, days"),
        ),
        [_protocol(protocol) for protocol in source.settings.protocol],
    )


def _protocol(protocol: Protocol) -> tuple[str, ...]:
    return (
        protocol.label or protocol.code,
        str(protocol.sessions_planned),
        _window(protocol.spacing_days),
        _window(protocol.band_c),
        words.number(protocol.ceiling_c),
        _window(protocol.minutes),
        _window(protocol.maintenance_days),
    )


def _window(ends: tuple[float, float]) -> str:
    return f"{words.number(ends[0])} to {words.number(ends[1])}"


def _bands(source: Source) -> list[Table]:
    bands = source.full.find("seeds.severity_bands")
    return [
        table(
            words.capital(words.GRADINGS[grading]),
            ("Grade", "from", "to below", "source"),
            [
                (
                    words.GRADES[grading][row["band"]],
                    _edge(row["at_least"]),
                    _edge(row["below"]),
                    row["source"],
                )
                for row in sorted(bands, key=lambda row: row["position"])
                if row["grading"] == grading
            ],
            words_in=(0, 3),
        )
        for grading in words.GRADINGS
    ]


def _edge(value: float | None) -> str:
    return words.NONE if value is None else words.number(value)


def _unsourced(source: Source) -> list[str]:
    """Each number that rests on common practice, so that nobody takes it for published."""
    rules = [
        f"{words.RULES[rule['rule']]}: {_amounts(rule)} {rule['measured_in']} ({rule['basis']})"
        for rule in source.rules
        if rule["source"] == COMMON
    ]
    return [
        *rules,
        "plateau band, ceiling, minutes, spacing and maintenance window of every protocol",
    ]


def _amounts(rule: Row) -> str:
    amounts = sorted(
        {
            float(rule[f"amount_{band}"])
            for band in ("normal", "mild", "moderate", "severe")
            if rule[f"amount_{band}"] is not None
        }
    )
    return words.listing([words.number(amount) for amount in amounts])
