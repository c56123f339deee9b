"""After how many sessions: response at each session, and for analysts the first one seen."""

from collections.abc import Iterator, Mapping, Sequence

from dashboards import cautions, figures, words
from dashboards.kinds import group_page
from dashboards.page import Chart, Choice, Page, Question, Section, Table, table
from dashboards.questions import rule_question
from dashboards.shared_tables import TOTAL
from dashboards.source import Clinic, Source, drawn, totals
from dashboards.warehouse import Row

GRADING = "symptoms"
OF_ALL_BEGUN = (
    "Those who stopped and those not measured stay among the courses begun, so that the share can "
    "fall when fewer come or fewer are measured. It says who was better when seen, not which "
    "session did it."
)
SHORTEST = "All protocols together end at the shortest plan among them. "
OWN_PLANS = "Each protocol ends at its own plan, and protocols treat different patients. "
SEEN = (
    "The session is the one at which it was seen, not at which it happened, and only those who "
    "were measured can be seen."
)


def pages(source: Source) -> Iterator[Page]:
    """The group's page by session, and the analysts' page under it."""
    yield group_page(
        "response_by_session",
        title="After how many sessions?",
        content={
            "lead": (
                "Of all courses begun, how many were better when measured after each session."
            ),
            "choice": _choice(source),
        },
        read_with_care=(
            cautions.OWN_GRADES,
            cautions.NOT_A_LEAGUE,
            cautions.hidden_counts(source.below),
        ),
    )
    yield group_page(
        "first_response",
        title="For analysts: sessions until a first response was seen",
        content={"choice": _first_responses(source)},
        read_with_care=(cautions.hidden_counts(source.below),),
    )


def clinic_charts(source: Source, clinic: Clinic) -> list[Chart]:
    """For a clinic, full counts by session for each protocol it gives (the first rule)."""
    rule = source.rules[0]
    return [
        chart
        for protocol in source.protocols
        if (chart := _nested(source, clinic, rule, protocol)) is not None
    ]


def _choice(source: Source) -> Choice:
    by = {grading: f"by {text}" for grading, text in words.GRADINGS.items()}
    return Choice(
        (
            rule_question(source),
            Question("by", "Lines", by | {"clinic": "by clinic", "protocol": "by protocol"}),
        ),
        tuple(
            Section((rule["rule"], by), charts=(chart,))
            for rule in source.rules
            for by, chart in _charts(source, rule)
            if chart is not None
        ),
    )


def _charts(source: Source, rule: Row) -> Iterator[tuple[str, Chart | None]]:
    for grading in words.GRADINGS:
        yield grading, _by_grade(source, rule, grading)
    clinics = {clinic.code: clinic.label for clinic in source.clinics}
    yield "clinic", _by_column(source, rule, "clinic", "site", clinics, SHORTEST)
    yield "protocol", _by_column(source, rule, "protocol", "protocol", source.protocols, OWN_PLANS)


def _by_grade(source: Source, rule: Row, grading: str) -> Chart | None:
    place = totals(grading=grading, rule=rule["rule"])
    rows = source.shared.find("response_at_session", **place)
    return _lines(
        source,
        slug=f"grades-{rule['rule']}-{grading}",
        heading=f"{words.RULES[rule['rule']]}, by {words.GRADINGS[grading]}",
        what="Grade",
        groups=[
            (label, graded)
            for grade, label in words.GRADES[grading].items()
            if grade != "unknown" and (graded := [r for r in rows if r["grade"] == grade])
        ],
        note=SHORTEST,
        rule=rule,
        told_last=1,
    )


def _by_column(
    source: Source, rule: Row, by: str, column: str, labels: Mapping[str, str], note: str
) -> Chart | None:
    place = totals(grading=GRADING, grade=TOTAL, rule=rule["rule"])
    return _lines(
        source,
        slug=f"{by}s-{rule['rule']}",
        heading=f"{words.RULES[rule['rule']]}, by {by}",
        what=words.capital(by),
        groups=[
            (label, rows)
            for code, label in labels.items()
            if (rows := source.shared.find("response_at_session", **place | {column: code}))
        ],
        note=note,
        rule=rule,
        told_last=len(labels),
    )


def _lines(
    source: Source,
    slug: str,
    heading: str,
    what: str,
    groups: Sequence[tuple[str, list[Row]]],
    note: str,
    rule: Row,
    told_last: int,
) -> Chart | None:
    """Lines for each group; the sentence tells of the last so many of them."""
    if not groups:
        return None
    steps = sorted({row["session_number"] for _, rows in groups for row in rows})
    units = words.UNITS[rule["unit"]] + "s"
    ordered = [(label, sorted(rows, key=_number)) for label, rows in groups]
    told = ordered[-told_last:]
    return Chart(
        slug=slug,
        heading=heading,
        reading=" ".join(_reading(source, group, units) for group in told),
        limits=f"Upright strokes are 95 % limits. {note}{OF_ALL_BEGUN}",
        figure=figures.lines(
            steps,
            [
                figures.Line(
                    label,
                    *(
                        _along(steps, rows, column)
                        for column in ("response_share", "share_low", "share_high")
                    ),
                )
                for label, rows in ordered
            ],
            "after session",
            f"better, of 100 {units} begun",
            upto=None,
        ),
        table=_table(source, heading, what, ordered, units),
    )


def _reading(source: Source, group: tuple[str, list[Row]], units: str) -> str:
    label, rows = group
    last = rows[-1]
    share = words.in_100(last["response_share"])
    if share in (words.HIDDEN, words.NONE) or not words.are_told(last["begun"]):
        return f"{words.capital(label)}: {words.TOO_FEW[:1].lower()}{words.TOO_FEW[1:]}"
    begun = f"Of {source.count(last['begun'])} {units} begun ({label})"
    return (
        f"{begun}, {share} in 100 were seen to be better after session {last['session_number']} "
        f"(limits {words.in_100_span(last['share_low'], last['share_high'])})."
    )


def _along(steps: Sequence[int], rows: list[Row], column: str) -> list[float | None]:
    by_step = {row["session_number"]: drawn(row[column], 100) for row in rows}
    return [by_step.get(step) for step in steps]


def _number(row: Row) -> int:
    return int(row["session_number"])


def _table(
    source: Source, caption: str, what: str, groups: Sequence[tuple[str, list[Row]]], units: str
) -> Table:
    return table(
        caption,
        (
            *(what, "after session", f"{units} begun", "treated so far", "measured", "better"),
            *("worse", "stopped before", "better of 100 begun", "95 % limits"),
        ),
        [
            (
                label,
                str(row["session_number"]),
                *(source.count(row[c]) for c in ("begun", "treated", "measured")),
                *(source.count(row[c]) for c in ("responding", "worsened", "stopped")),
                words.in_100(row["response_share"]),
                words.in_100_span(row["share_low"], row["share_high"]),
            )
            for label, rows in groups
            for row in rows
        ],
    )


def _nested(source: Source, clinic: Clinic, rule: Row, protocol: str) -> Chart | None:
    place = totals(site=clinic.code, grading=GRADING, grade=TOTAL, protocol=protocol)
    rows = sorted(source.full.find("response_at_session", rule=rule["rule"], **place), key=_number)
    if not rows:
        return None
    label = source.protocols[protocol]
    units = words.UNITS[rule["unit"]] + "s"
    last = rows[-1]
    parts = {
        "begun": "begun",
        "treated": "treated so far",
        "measured": "measured",
        "responding": "better",
    }
    return Chart(
        slug=f"session-{protocol}",
        heading=label,
        reading=(
            f"Of {source.many(last['begun'], words.UNITS[rule['unit']])} begun, "
            f"{source.told(last['treated'])} came to session {last['session_number']}, "
            f"{source.told(last['measured'])} {words.were(last['measured'])} measured after it and "
            f"{source.told(last['responding'])} of these {words.were(last['responding'])} better."
        ),
        limits=f"Each bar is a part of the one around it. {OF_ALL_BEGUN}",
        figure=figures.nested_bars(
            [row["session_number"] for row in rows],
            [(name, [drawn(row[column]) for row in rows]) for column, name in parts.items()],
            "after session",
            units,
        ),
        table=_table(
            source, f"{label}: {words.RULES[rule['rule']]}", "Protocol", [(label, rows)], units
        ),
    )


def seen_by(rows: Sequence[Row], units: str) -> str:
    """What the curves of first responses come to at the last session whose figures are told."""
    both = [row for row in rows if words.are_told(row["incidence"], row["responded_by"])]
    of_others = [row for row in rows if words.are_told(row["responded_by"])]
    as_others = "if those who stopped would have fared as those who went on"
    if both:
        last = both[-1]
        return (
            f"By session {last['session_number']} a response had been seen in "
            f"{words.in_100(last['incidence'])} of 100 {units} "
            f"(limits {words.in_100_span(last['incidence_low'], last['incidence_high'])}) where "
            f"stopping competes, and in {words.in_100(last['responded_by'])} of 100 {as_others}."
        )
    if of_others:
        last = of_others[-1]
        return (
            f"By session {last['session_number']} a response had been seen in "
            f"{words.in_100(last['responded_by'])} of 100 {units} {as_others}. How many where "
            "stopping competes would give small counts away."
        )
    return words.TOO_FEW


def _first_responses(source: Source) -> Choice:
    protocols = {TOTAL: "all protocols", **source.protocols}
    return Choice(
        (rule_question(source), Question("protocol", "Protocol", protocols)),
        tuple(
            Section((rule["rule"], protocol), charts=(chart,))
            for rule in source.rules
            for protocol in protocols
            if (chart := _first_response(source, rule, protocol)) is not None
        ),
    )


def _first_response(source: Source, rule: Row, protocol: str) -> Chart | None:
    place = totals(grading=GRADING, grade=TOTAL, protocol=protocol)
    rows = sorted(
        source.shared.find("sessions_to_response", rule=rule["rule"], **place), key=_number
    )
    if not rows:
        return None
    label = source.protocols.get(protocol, "all protocols")
    units = words.UNITS[rule["unit"]] + "s"
    steps = [row["session_number"] for row in rows]
    curves = (
        ("Kaplan-Meier (1 - not yet)", "responded_by", "", ""),
        ("stopping competes (Aalen-Johansen)", "incidence", "incidence_low", "incidence_high"),
    )
    return Chart(
        slug=f"first-{rule['rule']}-{protocol}",
        heading=f"{words.RULES[rule['rule']]}: {label}",
        reading=seen_by(rows, units),
        limits=(
            f"{SEEN} Upright strokes are 95 % limits, clustered by patient. From the first hidden "
            "count on, the curve is hidden too."
        ),
        figure=figures.lines(
            steps,
            [
                figures.Line(
                    name,
                    _along(steps, rows, column),
                    _along(steps, rows, low) if low else (),
                    _along(steps, rows, high) if high else (),
                )
                for name, column, low, high in curves
            ],
            "session at which it was seen",
            f"response seen, of 100 {units}",
            upto=100,
        ),
        table=table(
            f"{words.RULES[rule['rule']]}: {label}",
            (
                *("Session", "at risk", "responded", "stopped", "censored", "not yet, of 100"),
                *("95 % limits", "responded by, of 100", "incidence, of 100", "95 % limits"),
            ),
            [
                (
                    str(row["session_number"]),
                    *(source.count(row[c]) for c in ("at_risk", "responded")),
                    *(source.count(row[c]) for c in ("stopped", "censored")),
                    words.in_100(row["not_yet"]),
                    words.in_100_span(row["not_yet_low"], row["not_yet_high"]),
                    words.in_100(row["responded_by"]),
                    words.in_100(row["incidence"]),
                    words.in_100_span(row["incidence_low"], row["incidence_high"]),
                )
                for row in rows
            ],
        ),
    )
