"""Does it help: what became of those treated, by grade, clinic and protocol."""

from collections.abc import Iterator

from dashboards import cautions, figures, words
from dashboards.hidden_counts import Mark
from dashboards.kinds import clinic_page, group_page
from dashboards.page import Chart, Choice, Page, Question, Section, Table, table
from dashboards.pages import sessions
from dashboards.questions import rule_question
from dashboards.shared_tables import TOTAL
from dashboards.source import HEADLINE_TOLD, Clinic, Source, drawn, totals
from dashboards.warehouse import Row, Tables

FIRST_GRADING = "symptoms"
BECAME = (
    "Each bar is all to whom the rule applies; the numbers in it are counts. Not measured is "
    "neither good nor bad: nothing is known of them. A row with too many hidden counts has no bar."
)
LIMITS = (
    "The line is the 95 % limits (Wilson; eyes of one patient count together). The pale band runs "
    "from the share if nobody not measured had been better to the share if all of them had. The "
    "diamond is how many would pass with no change at all, from the noise of the measurement "
    "alone; what lies to the right of it still holds the season, other treatments and a return to "
    f"the usual. A hollow dot: fewer than {HEADLINE_TOLD} were measured, too few to go by."
)


def pages(source: Source) -> Iterator[Page]:
    """The group's page with counts hidden, then each clinic's own with full counts."""
    yield group_page(
        "response_by_grade",
        title="Does it help?",
        content={
            "lead": _lead(source, source.shared, TOTAL),
            "choice": _group_choice(source),
        },
        read_with_care=(
            cautions.OWN_GRADES,
            cautions.NOT_A_LEAGUE,
            cautions.hidden_counts(source.below),
        ),
    )
    for clinic in source.clinics_with_data:
        yield clinic_page(
            clinic,
            "response",
            "clinic_response",
            title=f"{clinic.label}: does it help?",
            content={
                "lead": _lead(source, source.full, clinic.code),
                "choice": _clinic_choice(source, clinic),
                "session_charts": sessions.clinic_charts(source, clinic),
            },
            read_with_care=(cautions.OWN_GRADES,),
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


def rows_question(source: Source) -> Question:
    """What the rows of a chart are: grades by one of the gradings, clinics or protocols."""
    by_grade = {grading: f"by {words.GRADINGS[grading]}" for grading in words.GRADINGS}
    return Question("by", "Rows", by_grade | {"clinic": "by clinic", "protocol": "by protocol"})


def _group_choice(source: Source) -> Choice:
    return Choice(
        (rule_question(source), rows_question(source)),
        tuple(
            _section(source, rule, (rule["rule"], by), f"by {what}", rows)
            for rule in source.rules
            for by, what, rows in _breakdowns(source, rule)
            if rows
        ),
    )


def _breakdowns(source: Source, rule: Row) -> Iterator[tuple[str, str, list[tuple[str, Row]]]]:
    for grading in words.GRADINGS:
        rows = _graded(source, source.shared, rule, grading, site=TOTAL, protocol=TOTAL)
        yield grading, words.GRADINGS[grading], rows
    clinics = {clinic.code: clinic.label for clinic in source.clinics}
    for by, column, labels in (
        ("clinic", "site", clinics),
        ("protocol", "protocol", source.protocols),
    ):
        rows = [
            (label, row)
            for code, label in {**labels, TOTAL: f"all {by}s"}.items()
            for row in source.shared.find(
                "response_by_grade", **_place(rule, FIRST_GRADING) | {"grade": TOTAL, column: code}
            )
        ]
        yield by, by, rows


def _clinic_choice(source: Source, clinic: Clinic) -> Choice:
    """Every grading over all protocols, and the first grading for each protocol."""
    gradings = {grading: f"by {words.GRADINGS[grading]}" for grading in words.GRADINGS}
    protocols = {TOTAL: "all protocols", **source.protocols}
    return Choice(
        (
            rule_question(source),
            Question("by", "Rows", gradings),
            Question("protocol", "Protocol", protocols),
        ),
        tuple(
            _section(
                source,
                rule,
                (rule["rule"], grading, protocol),
                f"{gradings[grading]}; {label}",
                rows,
            )
            for rule in source.rules
            for grading in words.GRADINGS
            for protocol, label in protocols.items()
            if grading == FIRST_GRADING or protocol == TOTAL
            if (
                rows := _graded(
                    source, source.full, rule, grading, site=clinic.code, protocol=protocol
                )
            )
        ),
    )


def _place(rule: Row, grading: str) -> dict[str, str]:
    return totals(period=TOTAL, rule=rule["rule"], grading=grading)


def _graded(
    source: Source, tables: Tables, rule: Row, grading: str, **where: str
) -> list[tuple[str, Row]]:
    rows = tables.find("response_by_grade", **_place(rule, grading) | where)
    labels = words.GRADES[grading]
    return [(labels[row["grade"]], row) for row in source.ranked_grades(grading, rows)]


def _section(
    source: Source, rule: Row, answers: tuple[str, ...], what: str, rows: list[tuple[str, Row]]
) -> Section:
    """What became of each row's courses, how many were better, and by how much."""
    slug = "-".join(answers)
    heading = f"{words.RULES[rule['rule']]}, {what}"
    _, total = rows[-1]
    return Section(
        answers,
        charts=(
            _became(source, rule, f"became-{slug}", heading, rows),
            _better(source, rule, f"better-{slug}", heading, rows),
        ),
        sentences=(rule_in_words(rule), *_gain(source, rule, total)),
        tables=(_gains(source, rule, heading, rows),),
    )


def _became(
    source: Source, rule: Row, slug: str, heading: str, rows: list[tuple[str, Row]]
) -> Chart:
    _, total = rows[-1]
    units = words.UNITS[rule["unit"]] + "s"
    return Chart(
        slug=slug,
        heading=f"What became of them. {heading}",
        reading=_reading(source, total),
        limits=BECAME,
        figure=figures.stacks(
            [
                figures.Stack(
                    label,
                    _note(source, row),
                    better=drawn(row["responders"]),
                    unchanged=drawn(row["unchanged"]),
                    worse=drawn(row["worsened"]),
                    not_measured=drawn(row["not_measured"]),
                    measured=drawn(row["evaluable"]),
                )
                for label, row in rows
            ],
            f"of 100 {units} to whom the rule applies",
        ),
        table=table(
            f"{heading}: {units}",
            (
                "Row",
                units,
                "does not apply",
                "not measured",
                "measured",
                "better",
                "un\u00adchanged",
                "worse",
            ),
            [
                (
                    label,
                    *(
                        source.count(row[column])
                        for column in (
                            *("courses", "not_applicable", "not_measured", "evaluable"),
                            *("responders", "unchanged", "worsened"),
                        )
                    ),
                )
                for label, row in rows
            ],
        ),
    )


def _note(source: Source, row: Row) -> str:
    if row["evaluable"] is Mark.COMPANION:
        return "number hidden"
    return f"{source.count(row['evaluable'])} measured"


def _better(
    source: Source, rule: Row, slug: str, heading: str, rows: list[tuple[str, Row]]
) -> Chart:
    drawn_rows = [(label, row) for label, row in rows if row["response_rate"] is not None]
    _, total = rows[-1]
    units = words.UNITS[rule["unit"]] + "s"
    return Chart(
        slug=slug,
        heading=f"Better, of 100 measured. {heading}",
        reading=_beside_noise(source, total),
        limits=LIMITS,
        figure=figures.dots(
            [
                figures.Dot(
                    label=label,
                    note=_rate_note(source, row),
                    value=drawn(row["response_rate"], 100),
                    low=drawn(row["rate_low"], 100),
                    high=drawn(row["rate_high"], 100),
                    bounds=(
                        drawn(row["rate_if_missing_failed"], 100),
                        drawn(row["rate_if_missing_responded"], 100),
                    ),
                    solid=source.measured_enough(**_grain(row)),
                    chance=drawn(row["rate_by_noise"], 100),
                )
                for label, row in drawn_rows
            ],
            f"better, of 100 {units} measured",
        ),
        table=table(
            f"{heading}: better, of 100 {units} measured",
            (
                *("Row", "measured", "better", "95 % limits", "if no, or every, other were better"),
                *("with no change at all", "also treated other\u00adwise"),
            ),
            [
                (
                    label,
                    source.count(row["evaluable"]),
                    _rate(source, row),
                    words.in_100_span(row["rate_low"], row["rate_high"]),
                    words.in_100_span(
                        row["rate_if_missing_failed"], row["rate_if_missing_responded"]
                    ),
                    words.in_100(row["rate_by_noise"]),
                    words.in_100(row["other_treatment"]),
                )
                for label, row in rows
            ],
        ),
    )


def _rate_note(source: Source, row: Row) -> str:
    return "share hidden" if isinstance(row["response_rate"], Mark) else _note(source, row)


def _beside_noise(source: Source, row: Row) -> str:
    """The share beside what the measurement's noise alone would make pass."""
    share, noise = row["response_rate"], row["rate_by_noise"]
    if share is None:
        return "None was measured before and after."
    if not words.are_told(share, noise):
        return words.TOO_FEW
    seen = f"{words.in_100(share)} in 100 were better"
    if not source.measured_enough(**_grain(row)):
        seen = f"Fewer than {HEADLINE_TOLD} were measured, so that no share is put first here"
    if noise is None:
        return f"{seen}. How many would pass with no change at all is not known for this measure."
    return (
        f"{seen}. With no change at all, {words.in_100(noise)} in 100 would pass by the noise of "
        "the measurement alone."
    )


def _rate(source: Source, row: Row) -> str:
    """The share, in brackets where too few were measured to go by it."""
    share = words.in_100(row["response_rate"])
    if row["response_rate"] is None or source.measured_enough(**_grain(row)):
        return share
    return f"({share})"


def _gain(source: Source, rule: Row, row: Row) -> tuple[str, ...]:
    """Before and after in a sentence, where it may be told."""
    mean, median, alone = (
        row[column] for column in ("mean_improvement", "median_improvement", "regression_alone")
    )
    if mean is None or median is None or not words.are_told(mean, median, alone):
        return ()
    unit = rule["measured_in"]
    usual = (
        f" A return to the usual after a bad day would alone give about {words.points(alone)}."
        if alone is not None
        else ""
    )
    return (
        f"Before and after: the {words.MEASURES[rule['measure']]} changed for the better by "
        f"{words.points(mean)} {unit} on average, and by {words.points(median)} or more in half "
        f"of those measured.{usual}",
    )


def _gains(source: Source, rule: Row, heading: str, rows: list[tuple[str, Row]]) -> Table:
    unit = rule["measured_in"]
    return table(
        f"{heading}: before and after, change for the better in {unit}",
        ("Row", "measured", "on average", "in half, or more", "return to the usual alone"),
        [
            (
                label,
                source.count(row["evaluable"]),
                *(
                    words.points(row[column])
                    for column in ("mean_improvement", "median_improvement", "regression_alone")
                ),
            )
            for label, row in rows
        ],
    )
