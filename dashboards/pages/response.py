"""Does it help: response at the final evaluation, by grade, by protocol and by clinic."""

from collections.abc import Iterator

from dashboards import cautions, figures, words
from dashboards.hidden_counts import Mark
from dashboards.page import Chart, Page, Table, table
from dashboards.pages import sessions
from dashboards.shared_tables import TOTAL
from dashboards.source import GROUP_MENU, HEADLINE_TOLD, Source, clinic_menu, drawn, totals
from dashboards.warehouse import Row, Tables

FIRST_GRADING = "symptoms"
LIMITS = (
    "The line is the 95 % limits (Wilson; eyes of one patient count together). The pale band runs "
    "from the share if nobody not measured had been better to the share if all of them had. A "
    f"hollow dot: fewer than {HEADLINE_TOLD} were measured, too few to go by."
)


def pages(source: Source) -> Iterator[Page]:
    """The group's page with counts hidden, then each clinic's own with full counts."""
    yield Page(
        path="response_by_grade.html",
        template="response_by_grade.html",
        title="Does it help?",
        content={
            "lead": _lead(source, source.shared, TOTAL),
            "sections": [_section(source, source.shared, TOTAL, rule) for rule in source.rules],
            "by_protocol": [_by_protocol(source, rule) for rule in source.rules],
            "by_clinic": [_by_clinic(source, rule) for rule in source.rules],
        },
        cautions=(
            cautions.OWN_GRADES,
            cautions.NOT_A_LEAGUE,
            cautions.hidden_counts(source.below),
        ),
        menu=GROUP_MENU,
    )
    for clinic in source.clinics_with_data:
        yield Page(
            path=f"{clinic.folder}response.html",
            template="clinic_response.html",
            title=f"{clinic.label}: does it help?",
            content={
                "lead": _lead(source, source.full, clinic.code),
                "sections": [
                    _section(source, source.full, clinic.code, rule) for rule in source.rules
                ],
                "session_charts": sessions.clinic_charts(source, clinic),
            },
            cautions=(cautions.OWN_GRADES, cautions.FULL_COUNTS),
            menu=clinic_menu(clinic),
        )


def rule_in_words(rule: Row) -> str:
    """What counts as better, from the rule's own numbers: to whom it applies, by how much."""
    measure = words.MEASURES[rule["measure"]]
    way = "fell" if rule["better"] == "lower" else "rose"
    amounts: dict[float, list[str]] = {}
    for band in ("normal", "mild", "moderate", "severe"):
        if rule[f"amount_{band}"] is not None:
            amounts.setdefault(float(rule[f"amount_{band}"]), []).append(band)
    unit = rule["measured_in"]
    if len(amounts) == 1:
        by = f"{words.number(next(iter(amounts)))} {unit}"
    else:
        by = " or ".join(
            f"{words.number(amount)} {unit} ({words.listing(bands)} at the start)"
            for amount, bands in amounts.items()
        )
    applies = ""
    if rule["baseline_below"] is not None:
        applies = f", where it was below {words.number(rule['baseline_below'])} {unit} before"
    if rule["baseline_at_most"] is not None:
        applies = f", where it was at most {words.number(rule['baseline_at_most'])} {unit} before"
    per = "of the patient" if rule["unit"] == "course" else "of the eye"
    return (
        f"Better means that the {measure} {per} {way} by at least {by}{applies}. Worse is the same "
        f"the other way, anything between is unchanged."
    )


def _lead(source: Source, tables: Tables, site: str) -> str:
    rule = source.rules[0]
    place = totals(site=site, grading=FIRST_GRADING, grade=TOTAL, period=TOTAL)
    rows = tables.find("response_by_grade", rule=rule["rule"], **place)
    if not rows:
        return "No course has been followed to its end yet."
    return _reading(source, rows[0])


def _reading(source: Source, row: Row) -> str:
    """One sentence on a row of response_by_grade, with a rate only where it may be a headline."""
    if not words.are_told(row["courses"], row["evaluable"]):
        return words.TOO_FEW
    unit = words.UNITS[row["unit"]]
    measured = source.many(row["evaluable"], unit)
    followed = source.many(row["courses"], unit)
    if row["evaluable"] == 0:
        return f"Of {followed} followed to the end, none was measured before and after."
    share = words.in_100(row["response_rate"])
    if not source.measured_enough(**_grain(row)):
        return (
            f"Of {followed} followed to the end, {source.told(row['evaluable'])} "
            f"{words.were(row['evaluable'])} measured before and after: fewer than "
            f"{HEADLINE_TOLD} of those to whom the rule applies, so that no share is put first "
            "here."
        )
    if share == words.HIDDEN:
        return (
            f"Of {followed} followed to the end, {source.told(row['evaluable'])} "
            f"{words.were(row['evaluable'])} measured before and after. How many were better: "
            f"{words.TOO_FEW.lower()}"
        )
    return (
        f"Of {measured} measured before and after, {source.told(row['responders'])} "
        f"{words.were(row['responders'])} better: "
        f"{share} in 100 (limits {words.in_100_span(row['rate_low'], row['rate_high'])})."
    )


def _grain(row: Row) -> dict[str, object]:
    grain = ("rule", "grading", "grade", "site", "protocol", "course_kind", "period")
    return {column: row[column] for column in grain}


def _section(source: Source, tables: Tables, site: str, rule: Row) -> dict[str, object]:
    place = totals(site=site, period=TOTAL, rule=rule["rule"])
    rows = tables.find("response_by_grade", **place)
    by_grading = {
        grading: source.ranked_grades(grading, [r for r in rows if r["grading"] == grading])
        for grading in words.GRADINGS
    }
    return {
        "slug": rule["rule"],
        "heading": words.RULES[rule["rule"]],
        "rule": rule_in_words(rule),
        "source": words.sentence(f"Where the numbers come from: {rule['source']}"),
        "chart": _chart(source, rule, by_grading[FIRST_GRADING]),
        "tables": [
            _grade_table(source, rule, grading, graded)
            for grading, graded in by_grading.items()
            if grading != FIRST_GRADING and graded
        ],
    }


def _chart(source: Source, rule: Row, rows: list[Row]) -> Chart | None:
    drawn_rows = [row for row in rows if row["response_rate"] is not None]
    if not drawn_rows:
        return None
    total = next(row for row in rows if row["grade"] == TOTAL)
    units = words.UNITS[rule["unit"]] + "s"
    return Chart(
        slug=f"by-grade-{rule['rule']}",
        heading=f"{words.RULES[rule['rule']]}: better, by {words.GRADINGS[FIRST_GRADING]}",
        reading=_reading(source, total),
        limits=LIMITS,
        figure=figures.dots(
            [
                figures.Dot(
                    label=words.GRADES[FIRST_GRADING][row["grade"]],
                    note=_note(source, row),
                    value=drawn(row["response_rate"], 100),
                    low=drawn(row["rate_low"], 100),
                    high=drawn(row["rate_high"], 100),
                    bounds=(
                        drawn(row["rate_if_missing_failed"], 100),
                        drawn(row["rate_if_missing_responded"], 100),
                    ),
                    solid=source.measured_enough(**_grain(row)),
                )
                for row in drawn_rows
            ],
            f"better, of 100 {units} measured",
        ),
        table=_grade_table(source, rule, FIRST_GRADING, rows),
    )


def _note(source: Source, row: Row) -> str:
    if isinstance(row["response_rate"], Mark):
        return "share hidden"
    return f"{source.count(row['evaluable'])} measured"


def _grade_table(source: Source, rule: Row, grading: str, rows: list[Row]) -> Table:
    labels = words.GRADES[grading]
    return _figures(
        source,
        rule,
        f"{words.RULES[rule['rule']]}, by {words.GRADINGS[grading]}",
        "Grade",
        [(labels[row["grade"]], row) for row in rows],
    )


def _by_protocol(source: Source, rule: Row) -> Table:
    place = totals(grading=FIRST_GRADING, grade=TOTAL, period=TOTAL, rule=rule["rule"])
    rows = {
        row["protocol"]: row
        for code in source.protocols
        for row in source.shared.find("response_by_grade", **place | {"protocol": code})
    }
    return _figures(
        source,
        rule,
        f"{words.RULES[rule['rule']]}, by protocol",
        "Protocol",
        [(source.protocols[code], row) for code, row in rows.items()],
    )


def _by_clinic(source: Source, rule: Row) -> Table:
    place = totals(grading=FIRST_GRADING, grade=TOTAL, period=TOTAL, rule=rule["rule"])
    return _figures(
        source,
        rule,
        f"{words.RULES[rule['rule']]}, by clinic",
        "Clinic",
        [
            (clinic.label, row)
            for clinic in source.clinics
            for row in source.shared.find("response_by_grade", **place | {"site": clinic.code})
        ],
    )


def _figures(
    source: Source, rule: Row, caption: str, what: str, rows: list[tuple[str, Row]]
) -> Table:
    units = words.UNITS[rule["unit"]] + "s"
    return table(
        caption,
        (
            *(what, units, "does not apply", "not measured", "measured"),
            *("better", "un\u00adchanged", "worse", "better, of 100", "95 % limits"),
            *(
                "if no, or every, other were better",
                "mean gain",
                "also treated other\u00adwise, of 100",
            ),
        ),
        [
            (
                label,
                *(source.count(row[c]) for c in ("courses", "not_applicable", "not_measured")),
                *(source.count(row[c]) for c in ("evaluable", "responders")),
                *(source.count(row[c]) for c in ("unchanged", "worsened")),
                _rate(source, row),
                words.in_100_span(row["rate_low"], row["rate_high"]),
                words.in_100_span(row["rate_if_missing_failed"], row["rate_if_missing_responded"]),
                words.points(row["mean_improvement"]),
                words.in_100(row["other_treatment"]),
            )
            for label, row in rows
        ],
    )


def _rate(source: Source, row: Row) -> str:
    """The share, in brackets where too few were measured to go by it."""
    share = words.in_100(row["response_rate"])
    if row["response_rate"] is None or source.measured_enough(**_grain(row)):
        return share
    return f"({share})"
