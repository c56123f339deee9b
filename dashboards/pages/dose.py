"""Dose and response: better by seconds in the protocol's band; nobody was allotted a dose."""

from collections.abc import Iterator, Sequence

from dashboards import cautions, figures, words
from dashboards.hidden_counts import Mark
from dashboards.kinds import group_page
from dashboards.page import Chart, Choice, Page, Question, Section, table
from dashboards.questions import rule_question
from dashboards.shared_tables import TOTAL
from dashboards.source import Source, drawn
from dashboards.warehouse import Row

NOTHING = "No course with a temperature log has been measured before and after yet."
LIMITS = (
    "Quarters are of the whole group, by mean seconds for which the lid sensor was in the "
    "protocol's band. The line is the 95 % limits (Wilson; eyes of one patient count together). "
    "Courses without a temperature log, and those not measured, are not here."
)


def pages(source: Source) -> Iterator[Page]:
    yield group_page(
        "dose",
        title="Dose and response",
        content={"choice": _choice(source)},
        read_with_care=(cautions.OWN_GRADES, cautions.hidden_counts(source.below)),
    )


def _choice(source: Source) -> Choice:
    groups = {
        (TOTAL, TOTAL): "all patients",
        **{(clinic.code, TOTAL): clinic.label for clinic in source.clinics},
        **{(TOTAL, code): label for code, label in source.protocols.items()},
    }
    names = {f"{site}.{protocol}": label for (site, protocol), label in groups.items()}
    return Choice(
        (rule_question(source), Question("of", "Of whom", names)),
        tuple(
            _section(source, rule, f"{site}.{protocol}", label, rows)
            for rule in source.rules
            for (site, protocol), label in groups.items()
            if (
                rows := source.shared.find(
                    "dose_response", rule=rule["rule"], site=site, protocol=protocol
                )
            )
        ),
        empty=NOTHING,
    )


def _section(source: Source, rule: Row, group: str, label: str, rows: list[Row]) -> Section:
    ordered = sorted(rows, key=lambda row: int(row["dose_quarter"]))
    units = words.UNITS[rule["unit"]] + "s"
    heading = f"{words.RULES[rule['rule']]}, by heating time in the band: {label}"
    return Section(
        (rule["rule"], group),
        charts=(
            Chart(
                slug=f"dose-{rule['rule']}-{group.replace('.', '-')}",
                heading=heading,
                reading=_reading(source, ordered, units),
                instead=_why_not(source, ordered, units),
                limits=LIMITS,
                figure=figures.dots(
                    [
                        figures.Dot(
                            words.QUARTERS[row["dose_quarter"]],
                            _note(source, row),
                            value=drawn(row["response_rate"], 100),
                            low=drawn(row["rate_low"], 100),
                            high=drawn(row["rate_high"], 100),
                        )
                        for row in ordered
                    ],
                    f"better, of 100 {units} measured",
                ),
                table=table(
                    heading,
                    (
                        "Quarter",
                        "seconds in the band",
                        "measured",
                        "better",
                        "of 100",
                        "95 % limits",
                    ),
                    [
                        (
                            words.capital(words.QUARTERS[row["dose_quarter"]]),
                            _seconds(row),
                            source.count(row["evaluable"]),
                            source.count(row["responders"]),
                            words.in_100(row["response_rate"]),
                            words.in_100_span(row["rate_low"], row["rate_high"]),
                        )
                        for row in ordered
                    ],
                ),
            ),
        ),
    )


def _note(source: Source, row: Row) -> str:
    if isinstance(row["response_rate"], Mark):
        return "share hidden"
    return f"{_seconds(row)} s; {source.count(row['evaluable'])} measured"


def _seconds(row: Row) -> str:
    low, high = (words.per_100(row[end], digits=0) for end in ("seconds_from", "seconds_to"))
    return low if low in (words.HIDDEN, words.NONE) else f"{low}\u00a0to\u00a0{high}"


def _reading(source: Source, rows: Sequence[Row], units: str) -> str:
    told = [
        f"in the {words.QUARTERS[row['dose_quarter']]} {words.in_100(row['response_rate'])} in 100 "
        f"of {source.count(row['evaluable'])} were better "
        f"(limits {words.in_100_span(row['rate_low'], row['rate_high'])})"
        for row in rows
        if words.are_told(row["response_rate"], row["evaluable"])
    ]
    if not told:
        return _why_not(source, rows, units)
    ends = told if len(told) == 1 else [told[0], told[-1]]
    return f"{words.capital(words.listing(ends))}. Not randomised: this is no effect of the dose."


def _why_not(source: Source, rows: Sequence[Row], units: str) -> str:
    """Why no share is told, and how many were measured, as far as that may be told."""
    measured = [row["evaluable"] for row in rows]
    if all(count is Mark.SMALL for count in measured):
        return (
            f"In each quarter fewer than {source.below} {units} with a temperature log were "
            "measured: too few to show how many of them were better."
        )
    if words.are_told(*measured):
        return (
            f"By quarter, {words.listing([source.told(count) for count in measured])} {units} with "
            "a temperature log were measured. How many of them were better would give small "
            "counts away."
        )
    return words.TOO_FEW
