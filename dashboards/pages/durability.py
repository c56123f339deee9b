"""Does it last: how long a response was seen to hold, and who came back for maintenance."""

from collections.abc import Sequence
from dataclasses import dataclass

from dashboards import cautions, coarse, figures, words
from dashboards.coarse import Step
from dashboards.kinds import group_page
from dashboards.page import Chart, Choice, Page, Question, Section, Table, table
from dashboards.questions import rule_question
from dashboards.shared_tables import TOTAL
from dashboards.source import Source
from dashboards.warehouse import Row

GRADING = "symptoms"
DEFAULT = "lost_or_retreated"
FIRST_LINES = "ways"
FIRST_WAITS = "together"
HOLDING = ("holding", "holding_low", "holding_high")
RETURNED = ("returned_by", "returned_low", "returned_high")
LATE_DAYS = (
    "The late months read too low. One who will be treated again stays in the count until then; "
    "one who will not leaves it when last measured. Late months so hold ever more of those who "
    "come for treatment, and where retreatment is a loss the curve falls further than gains fade."
)
LATE_DAYS_AGAIN = "Late months read too low, as said at the top."
SEEN_ONLY = (
    "A loss is dated to the day it was seen: with no visit, none is seen. Two bad values running "
    "are a loss, or one before a retreatment."
)
COMPETING = (
    "A new course, discharge, a move and death end the wait without a return; they stay in the "
    "hundred, so that the curve need not reach it. Who is still waiting counts up to the day the "
    "clinic's data end."
)


@dataclass(frozen=True)
class Curve:
    label: str
    steps: list[Step]


@dataclass(frozen=True)
class Noise:
    reading: str
    table: Table


def pages(source: Source) -> list[Page]:
    choice = _choice(source)
    return [
        group_page(
            "durability",
            title="Does it last?",
            content={
                "lead": _lead(source),
                "seen": _how_often_seen(source),
                "late_days": LATE_DAYS if choice.sections else "",
                "follow_up": follow_up(source, "Protocol", "protocol", source.protocols),
                "choice": choice,
                "returns": _returns(source),
            },
            read_with_care=(
                cautions.OWN_GRADES,
                cautions.NOT_A_LEAGUE,
                cautions.coarse_figures(source.below),
            ),
        )
    ]


def follow_up(source: Source, what: str, column: str, labels: dict[str, str]) -> Table:
    """How long courses were followed, for each value of a column, and for all."""
    rows = {
        code: row
        for code in (*labels, TOTAL)
        for row in source.shared.find(
            "follow_up_completeness", **{"site": TOTAL, "protocol": TOTAL, column: code}
        )
    }
    return table(
        "How far courses were followed",
        (what, "courses", "seen again after the last session", "days followed, of 100 possible"),
        [
            (
                labels.get(code, "all"),
                source.count(row["courses"]),
                source.count(row["seen"]),
                words.rounded(days_followed(source, row)),
            )
            for code, row in rows.items()
        ],
    )


def days_followed(source: Source, shared: Row) -> coarse.Rate:
    """Days followed of 100 possible; its own counts, days, stand on no page."""
    place = {"site": shared["site"], "protocol": shared["protocol"]}
    [row] = source.full.find("follow_up_completeness", **place)
    return coarse.in_100(row["completeness"], row["courses"])


def _lead(source: Source) -> str:
    curve = _durability(source, source.rules[0]["rule"], DEFAULT)
    if not curve:
        return "Too few losses have been seen to say how long a response holds."
    told = _told(curve)
    return (
        f"Of those better by the symptom score at the final evaluation, {_holding(told)}. Being "
        "treated again counts as a loss here, whatever the reason for it."
    )


def _how_often_seen(source: Source) -> str:
    rows = source.shared.find("follow_up_completeness", site=TOTAL, protocol=TOTAL)
    if not rows:
        return "No course has been followed to its end yet."
    [row] = rows
    return (
        f"Courses whose follow-up is over: {source.count(row['courses'])}; seen again at some time "
        f"after the last session: {source.count(row['seen'])}. Of all the days on which something "
        f"could have been learnt of them, {words.rounded(days_followed(source, row))} in 100 lie "
        "before the last time that it was. What is told here rests on these; of the others nothing "
        "is known, neither good nor bad."
    )


def _choice(source: Source) -> Choice:
    lines = {
        FIRST_LINES: ("three ways to count retreatment", _by_estimand),
        "grade": (f"by {words.GRADINGS[GRADING]}", _by_grade),
        "protocol": ("by protocol", _by_protocol),
    }
    return Choice(
        (
            rule_question(source),
            Question("lines", "Lines", {code: text for code, (text, _) in lines.items()}),
        ),
        tuple(
            _section(source, rule, code, chart)
            for rule in source.rules
            for code, (_, chart_of) in lines.items()
            if (chart := chart_of(source, rule)) is not None
        ),
        empty="Too few losses have been seen to draw a curve.",
    )


def _section(source: Source, rule: Row, lines: str, chart: Chart) -> Section:
    noise = _noise(source, rule)
    return Section(
        (rule["rule"], lines),
        charts=(chart,),
        terms=(("What noise alone would lose", noise.reading),) if noise else (),
        tables=(noise.table,) if noise and lines == FIRST_LINES else (),
    )


def _durability(source: Source, rule: str, estimand: str, **where: str) -> list[Step]:
    place = {"grading": GRADING, "grade": TOTAL, "site": TOTAL, "protocol": TOTAL} | where
    rows = source.full.find("durability", rule=rule, estimand=estimand, **place)
    return coarse.steps(rows, events="lost", curve=HOLDING, start=1, below=source.below)


def _by_estimand(source: Source, rule: Row) -> Chart | None:
    curves = [
        Curve(label, _durability(source, rule["rule"], estimand))
        for estimand, label in words.ESTIMANDS.items()
    ]
    return _chart(
        source,
        rule,
        slug=f"holds-{rule['rule']}",
        heading="Seen to hold, three ways to count retreatment",
        what="A response ends when",
        curves=curves,
        limits=(
            "Where a response ends when lost or treated again, retreatment is a loss; where it "
            "ends when lost before any retreatment, one who is treated again leaves the count "
            f"then; in the third, only a new course ends it. {SEEN_ONLY} {LATE_DAYS_AGAIN}"
        ),
    )


def _by_grade(source: Source, rule: Row) -> Chart | None:
    return _chart(
        source,
        rule,
        slug=f"holds-by-grade-{rule['rule']}",
        heading=f"Seen to hold, by {words.GRADINGS[GRADING]}",
        what="Grade",
        curves=[
            Curve(label, _durability(source, rule["rule"], DEFAULT, grade=grade))
            for grade, label in words.GRADES[GRADING].items()
            if grade not in (TOTAL, "unknown")
        ],
        limits=f"Retreatment counts as a loss. {LATE_DAYS_AGAIN}",
    )


def _by_protocol(source: Source, rule: Row) -> Chart | None:
    return _chart(
        source,
        rule,
        slug=f"holds-by-protocol-{rule['rule']}",
        heading="Seen to hold, by protocol",
        what="Protocol",
        curves=[
            Curve(label, _durability(source, rule["rule"], DEFAULT, protocol=code))
            for code, label in source.protocols.items()
        ],
        limits=(
            f"Retreatment counts as a loss. Protocols treat different patients and call them back "
            f"at different times. {LATE_DAYS_AGAIN}"
        ),
    )


def _chart(
    source: Source,
    rule: Row,
    slug: str,
    heading: str,
    what: str,
    curves: Sequence[Curve],
    limits: str,
) -> Chart | None:
    shown = [curve for curve in curves if curve.steps]
    if not shown:
        return None
    units = words.UNITS[rule["unit"]] + "s"
    return _curves(
        slug,
        heading,
        what,
        shown,
        reading=f"Seen to hold, {_readings(shown)}{_left_out(curves)}",
        limits=f"{limits} {_steps_told(source)}",
        share="seen to hold",
        axes=("months after the last session", f"seen to hold, of 100 {units} better at first"),
    )


def _curves(
    slug: str,
    heading: str,
    what: str,
    curves: Sequence[Curve],
    *,
    reading: str,
    limits: str,
    share: str,
    axes: tuple[str, str],
) -> Chart:
    months = sorted({step.month for curve in curves for step in curve.steps})
    return Chart(
        slug=slug,
        heading=heading,
        reading=reading,
        limits=limits,
        figure=figures.lines(
            months,
            [
                figures.Line(
                    curve.label,
                    *(
                        _along(months, curve.steps, column, shown=column == "share" or place == 0)
                        for column in ("share", "low", "high")
                    ),
                )
                for place, curve in enumerate(curves)
            ],
            *axes,
            upto=100,
            joined=True,
        ),
        table=table(
            heading,
            (what, "months (day)", f"{share}, of 100", "95 % limits", "still followed, about"),
            [
                (
                    curve.label,
                    f"{step.month} ({step.day})",
                    words.in_100(step.share),
                    words.in_100_span(step.low, step.high),
                    words.NONE if step.followed is None else f"{step.followed} or more",
                )
                for curve in curves
                for step in curve.steps
            ],
        ),
    )


def _along(
    months: Sequence[int], steps: Sequence[Step], column: str, *, shown: bool
) -> list[float | None]:
    """In 100 by month; limits of the first curve alone, since those of several run together."""
    if not shown:
        return [None for _ in months]
    by_month = {step.month: getattr(step, column) for step in steps}
    return [
        None if (share := by_month.get(month)) is None else round(100 * share) for month in months
    ]


def _readings(curves: Sequence[Curve]) -> str:
    """Several curves, each at the last step that a sentence tells of; the others in the table."""
    told = "; ".join(f"{curve.label}: {_briefly(_told(curve.steps)[-1])}" for curve in curves)
    return f"of 100: {told}."


def _briefly(step: Step) -> str:
    span = words.in_100_span(step.low, step.high)
    limits = "" if span == words.NONE else f" (limits {span})"
    return f"{words.in_100(step.share)} at {step.month} months{limits}"


def _told(steps: Sequence[Step]) -> list[Step]:
    """The steps that a sentence tells of: the latest up to half a year, and up to a year."""
    found = [
        max(up_to, key=lambda step: step.month)
        for months in (6, 12)
        if (up_to := [step for step in steps[1:] if step.month <= months])
    ]
    return list(dict.fromkeys(found)) or list(steps[1:2])


def _holding(told: Sequence[Step]) -> str:
    return words.listing(
        [
            f"{words.in_100(step.share)} in 100 were seen to hold at {step.month} months"
            f"{_limits(step)}"
            for step in told
        ]
    )


def _limits(step: Step) -> str:
    span = words.in_100_span(step.low, step.high)
    limits = "" if span == words.NONE else f"limits {span}; "
    return f" ({limits}{step.followed} or more followed then)"


def _left_out(curves: Sequence[Curve]) -> str:
    missing = [curve.label for curve in curves if not curve.steps]
    if not missing:
        return ""
    return f" Too few were followed or lost to draw: {words.listing(missing)}."


def _steps_told(source: Source) -> str:
    return (
        f"Each step holds {source.below} or more; months with fewer are passed over, and the end "
        f"where fewer than {source.below} are followed. Upright strokes are 95 % limits, clustered "
        "by patient; those of the other lines stand in the table."
    )


def _noise(source: Source, rule: Row) -> Noise | None:
    """What measurement noise alone would lose of gains that never fade."""
    rows = [
        row
        for row in source.full.find("courses.losses_by_noise", rule=rule["rule"])
        if row["lost"] is not None
    ]
    if not rows:
        return None
    cases = sorted({(row["amount"], row["times_amount"]) for row in rows})
    intervals = sorted({row["seen_every_days"] for row in rows})
    lost = {(row["amount"], row["times_amount"], row["seen_every_days"]): row for row in rows}
    shares = [row["lost"] for row in rows]
    unit = rule["measured_in"]
    return Noise(
        reading=(
            f"Measurement noise alone makes lasting gains look lost. Were no gain ever to fade, "
            f"from {words.in_100(min(shares))} to {words.in_100(max(shares))} in 100 would still "
            f"be reported lost by day {rows[0]['by_day']}: most where the true gain is just what "
            "the rule asks for, and where patients are seen often. Read the curve against that."
        ),
        table=table(
            f"{words.RULES[rule['rule']]}: of gains that never fade, reported lost by day "
            f"{rows[0]['by_day']} (of 100)",
            (
                "True gain that stays",
                *(f"seen every {days} days" for days in intervals),
            ),
            [
                (
                    f"{words.number(times)} \u00d7 {words.number(amount)} {unit}",
                    *(words.in_100(lost[amount, times, days]["lost"]) for days in intervals),
                )
                for amount, times in cases
            ],
        ),
    )


def _returns(source: Source) -> Choice:
    lines = {
        FIRST_WAITS: ("all protocols together", _returns_of_all),
        "protocol": ("by protocol", _returns_by_protocol),
    }
    return Choice(
        (Question("waits", "Lines", {code: text for code, (text, _) in lines.items()}),),
        tuple(
            Section((code,), charts=(chart,))
            for code, (_, chart_of) in lines.items()
            if (chart := chart_of(source)) is not None
        ),
        empty="Too few have come back to draw a curve.",
    )


def _returned(source: Source, protocol: str) -> list[Step]:
    rows = source.full.find("maintenance_return", site=TOTAL, protocol=protocol)
    return coarse.steps(rows, events="returned", curve=RETURNED, start=0, below=source.below)


def _returns_of_all(source: Source) -> Chart | None:
    steps = _returned(source, TOTAL)
    return _return_chart(
        source,
        "returns",
        "Came back for maintenance",
        [Curve("all", steps)],
        reading=_returning(steps) if steps else "",
    )


def _returns_by_protocol(source: Source) -> Chart | None:
    curves = [Curve(label, _returned(source, code)) for code, label in source.protocols.items()]
    return _return_chart(
        source,
        "returns-by-protocol",
        "Came back for maintenance, by protocol",
        curves,
        reading=f"Came back, {_readings([curve for curve in curves if curve.steps])}",
    )


def _return_chart(
    source: Source, slug: str, heading: str, curves: Sequence[Curve], *, reading: str
) -> Chart | None:
    shown = [curve for curve in curves if curve.steps]
    if not shown:
        return None
    return _curves(
        slug,
        heading,
        "Protocol",
        shown,
        reading=reading + _left_out(curves),
        limits=f"{COMPETING} {_steps_told(source)}",
        share="came back",
        axes=("months of waiting", "came back, of 100 waits begun"),
    )


def _returning(steps: Sequence[Step]) -> str:
    told = words.listing(
        [
            f"{words.in_100(step.share)} in 100 had come back by {step.month} months{_limits(step)}"
            for step in _told(steps)
        ]
    )
    return f"After a completed course or a maintenance session, {told}."
