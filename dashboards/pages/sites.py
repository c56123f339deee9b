"""Clinics compared: what was seen beside what the other clinics would lead one to expect."""

from collections.abc import Iterator, Sequence

from dashboards import cautions, coarse, figures, words
from dashboards.coarse import Rate
from dashboards.kinds import group_page
from dashboards.page import Chart, Choice, Page, Section, Table, table
from dashboards.pages import durability
from dashboards.questions import rule_question
from dashboards.shared_tables import TOTAL
from dashboards.source import HEADLINE_SHARE, HEADLINE_TOLD, Source, drawn, totals
from dashboards.warehouse import Row

AS_ELSEWHERE = 100
LIMITS = (
    "100 means as many better as at the other clinics in patients of the same grades. The line is "
    "where chance alone would leave a clinic 95 times in 100, the pale band 998 times in 1000: of "
    "clinics that are all alike, one in twenty lies outside the line. A hollow dot: fewer than "
    f"{HEADLINE_TOLD} were measured there, too few to go by. Clinics stand in the group's own "
    "order."
)
NOT_COMPARED = (
    "No clinic can be compared: there is no other with patients of the same grades, or too few "
    "were measured."
)
LOOK_FIRST = (
    "Ask first how it is measured there, who is not measured, and whom it treats: grades do not "
    "tell all that sets patients apart."
)


def pages(source: Source) -> Iterator[Page]:
    yield group_page(
        "sites",
        title="Clinics compared",
        content={
            "lead": (
                "For each clinic, how many were better beside how many would have been with the "
                "same patients' grades at the group's other clinics."
            ),
            "spread": _spread(source),
            "choice": Choice(
                (rule_question(source),),
                tuple(
                    section
                    for rule in source.rules
                    if (section := _section(source, rule)) is not None
                ),
                empty=NOT_COMPARED,
            ),
            "follow_up": durability.follow_up(
                source, "Clinic", "site", {clinic.code: clinic.label for clinic in source.clinics}
            ),
        },
        read_with_care=(
            f"{cautions.OWN_GRADES} A clinic that measures more kindly, or only those who do well, "
            "looks better here.",
            cautions.NOT_A_LEAGUE,
            cautions.coarse_figures(source.below),
        ),
    )


def _section(source: Source, rule: Row) -> Section | None:
    rows = [
        (clinic.label, row)
        for clinic in source.clinics
        for row in source.full.find("site_comparison", rule=rule["rule"], site=clinic.code)
    ]
    chart = _chart(source, rule, rows)
    return Section((rule["rule"],), charts=(chart,)) if chart else None


def _chart(source: Source, rule: Row, rows: Sequence[tuple[str, Row]]) -> Chart | None:
    shown = [(label, row) for label, row in rows if isinstance(_in_100(row, "ratio"), int)]
    if not shown:
        return None
    units = words.UNITS[rule["unit"]] + "s"
    return Chart(
        slug=f"clinics-{rule['rule']}",
        heading=f"{words.RULES[rule['rule']]}: better, beside what was expected",
        reading=_reading(rows, shown, units),
        limits=LIMITS,
        figure=figures.dots(
            [
                figures.Dot(
                    label=label,
                    note=f"{words.rounded(_captured(row))} in 100 measured",
                    value=drawn(_in_100(row, "ratio")),
                    low=drawn(_in_100(row, "low_95")),
                    high=drawn(_in_100(row, "high_95")),
                    bounds=(drawn(_in_100(row, "low_998")), drawn(_in_100(row, "high_998"))),
                    solid=row["capture_rate"] >= HEADLINE_SHARE,
                )
                for label, row in shown
            ],
            "better, of 100 expected",
            upto=None,
            limits_are="by chance, 95 in 100",
            bounds_are="by chance, 998 in 1000",
            level_at=AS_ELSEWHERE,
        ),
        table=_table(source, rule, rows),
    )


def _in_100(row: Row, column: str) -> Rate:
    return coarse.in_100(row[column], row["evaluable"])


def _captured(row: Row) -> Rate:
    return coarse.in_100(row["capture_rate"], row["evaluable"])


def _reading(rows: Sequence[tuple[str, Row]], shown: Sequence[tuple[str, Row]], units: str) -> str:
    told = words.listing(
        [f"{_in_100(row, 'ratio')} at {label} ({_measured_share(row)})" for label, row in shown]
    )
    hidden = [label for label, row in rows if (label, row) not in shown]
    too_few = f" Too few measured to show: {words.listing(hidden)}." if hidden else ""
    return (
        f"For each 100 {units} expected to be better there were {told}.{too_few} {_outside(shown)}"
    )


def _measured_share(row: Row) -> str:
    return f"limits of chance {words.rounded_span(_in_100(row, 'low_95'), _in_100(row, 'high_95'))}"


def _outside(rows: Sequence[tuple[str, Row]]) -> str:
    far = [label for label, row in rows if _lies_outside(row, "low_998", "high_998")]
    near = [
        label for label, row in rows if _lies_outside(row, "low_95", "high_95") and label not in far
    ]
    if far:
        return (
            f"Outside both limits: {words.listing(far)}. That is more than chance alone would "
            f"give. {LOOK_FIRST}"
        )
    if near:
        return (
            f"Outside the line, within the band: {words.listing(near)}. One clinic in twenty would "
            f"be by chance alone. {LOOK_FIRST}"
        )
    return "No difference between clinics larger than chance can be shown."


def _lies_outside(row: Row, low: str, high: str) -> bool:
    return not row[low] <= row["ratio"] <= row[high]


def _spread(source: Source) -> str:
    """Whether clinics vary more than chance explains, in words; rule by rule where it is known."""
    known = {
        row["rule"]: row["overdispersion"]
        for row in source.full.find("site_comparison")
        if row["overdispersion"] is not None
    }
    if not known:
        return (
            "Whether clinics vary more than chance explains cannot be told from fewer than ten of "
            "them. They mostly do: so a clinic just outside the line is nothing rare."
        )
    return " ".join(
        f"{words.RULES[rule['rule']]}: {_varying(known[rule['rule']])}"
        for rule in source.rules
        if rule["rule"] in known
    )


def _varying(overdispersion: float) -> str:
    if overdispersion == 1:
        return "the clinics vary no more than chance explains."
    return (
        f"the clinics vary more than chance explains ({overdispersion:.1f} times the variance), "
        "for reasons that are not known here; the limits are widened by it."
    )


def _table(source: Source, rule: Row, rows: Sequence[tuple[str, Row]]) -> Table:
    units = words.UNITS[rule["unit"]] + "s"
    return table(
        f"{words.RULES[rule['rule']]}: better, for each 100 expected to be",
        (
            *("Clinic", f"{units} measured", "measured, of 100 to whom the rule applies"),
            *("better, of 100 expected", "by chance, 95 in 100", "by chance, 998 in 1000"),
        ),
        [
            (
                label,
                source.count(_shared_measured(source, row)),
                words.rounded(_captured(row)),
                words.rounded(_in_100(row, "ratio")),
                words.rounded_span(_in_100(row, "low_95"), _in_100(row, "high_95")),
                words.rounded_span(_in_100(row, "low_998"), _in_100(row, "high_998")),
            )
            for label, row in rows
        ],
    )


def _shared_measured(source: Source, row: Row) -> words.Number:
    place = totals(grading="symptoms", grade=TOTAL, period=TOTAL, site=row["site"])
    rows = source.shared.find("response_by_grade", rule=row["rule"], **place)
    measured: words.Number = rows[0]["evaluable"] if rows else None
    return measured
