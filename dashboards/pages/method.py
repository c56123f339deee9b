"""How it is worked out: each definition in plain words, with this group's own numbers."""

from collections.abc import Iterator

from dashboards import cautions, words
from dashboards.page import Page, Table, table
from dashboards.pages.response import rule_in_words
from dashboards.source import GROUP_MENU, Source
from dashboards.warehouse import Row
from pipeline.settings import Protocol

COMMON = "common practice, no source"


def pages(source: Source) -> Iterator[Page]:
    yield Page(
        path="method.html",
        template="method.html",
        title="How it is worked out",
        content={
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
        cautions=(cautions.OWN_GRADES,),
        menu=GROUP_MENU,
    )


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
