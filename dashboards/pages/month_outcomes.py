"""How the courses fared whose follow-up ended in a month, beside the clinic's own year before."""

from dashboards import figures, words
from dashboards.page import Chart, Table, table
from dashboards.source import HEADLINE_SHARE, HEADLINE_TOLD, Source, drawn
from dashboards.warehouse import Row

HEADLINE_RULE = "symptoms"
FEW_MEASURED = (
    f"Fewer than {HEADLINE_TOLD} of them were measured: too few to say how the others fared."
)
LIMITS = (
    "Dots: of 100 measured, how many were better. Dashed lines: where a month of this size lies in "
    "at least 998 of 1000 months, if nothing but chance sets it apart from the clinic's own twelve "
    "months before (dotted). Fewer measured, wider limits. A diamond lies beyond; a hollow dot "
    "is not judged, since too few were measured. The clinic is held against itself; this is no "
    "target."
)
ASK_FIRST = "Ask first who was measured, by whom and how, and what else changed."
OUTCOMES = {
    "responders": "better",
    "unchanged": "unchanged",
    "worsened": "worse",
    "not_measured": "not measured",
    "not_applicable": "the rule does not apply",
}


def sentence(source: Source, row: Row) -> str:
    """How a month's courses fared by the symptoms rule."""
    gap = source.settings.numbers.course_gap_days
    if row["courses"] == 0:
        return f"No course came to the end of its follow-up ({gap} days after its last session)."
    courses = words.capital(source.many(row["courses"], "course"))
    told = words.listing(
        [
            f"{source.told(row[count])} {name}"
            for count, name in OUTCOMES.items()
            if count != "not_applicable"
        ]
    )
    apart = (
        f" To {source.told(row['not_applicable'])} the symptom rule does not apply."
        if row["not_applicable"]
        else ""
    )
    return (
        f"{courses} came to the end of follow-up ({gap} days after the last session). By the "
        f"symptom score: {told}.{apart}"
    )


def verdict(row: Row) -> str:
    """Whether the month is news, in words."""
    if row["beyond_limits"] is None:
        return _not_judged(row)
    low, high = words.in_100(row["limit_low"]), words.in_100(row["limit_high"])
    beside = (
        f"{words.in_100(row['response_rate'])} of 100 measured were better; in the twelve months "
        f"before {words.in_100(row['before_rate'])} of 100, and by chance alone a month of this "
        f"size lies between {low} and {high}."
    )
    if not row["beyond_limits"]:
        return f"That is within what chance gives. {beside}"
    if row["response_rate"] < row["before_rate"]:
        return f"That is lower than chance would give. {beside} {ASK_FIRST}"
    return f"That is higher than chance would give. {beside} {ASK_FIRST}"


def _not_judged(row: Row) -> str:
    if row["courses"] == 0:
        return ""
    return f"Whether that is more than chance is not judged: {_reasons(row)}."


def _reasons(row: Row) -> str:
    told = row["reason"].replace("60 % measured", f"{HEADLINE_TOLD} measured")
    return words.why_not_compared(told).replace("; ", ", ")


def captured(source: Source, row: Row) -> str:
    """How many were measured of those who could have been."""
    if row["capture_rate"] is None:
        return "There was nobody to measure: no course to which the symptom rule applies."
    few = f" {FEW_MEASURED}" if row["capture_rate"] < HEADLINE_SHARE else ""
    return (
        f"Of {source.many(row['applicable'], 'course')} to which the symptom rule applies, "
        f"{source.told(row['evaluable'])} {words.were(row['evaluable'])} measured before and "
        f"after: {words.in_100(row['capture_rate'])} in 100.{few}"
    )


def home_care(source: Source, row: Row) -> str:
    """Minutes of home care before and after, of the courses of which it can be told."""
    if row["measured"] == 0:
        return "Of no course can it be told: home care was not recorded before and after."
    return (
        f"Of {source.many(row['measured'], 'course')} of which it can be told, home care took "
        f"{words.number(row['median_minutes_before'])} minutes a day before and "
        f"{words.number(row['median_minutes_after'])} after (medians); "
        f"{source.told(row['halved'])} at least halved it without the symptoms getting worse. "
        "Less home care is no response."
    )


def chart(source: Source, rows: list[Row]) -> Chart:
    """The clinic's months by the symptoms rule, each with its own limits."""
    now = rows[-1]
    months = [words.short_month(row["month"]) for row in rows]
    return Chart(
        slug="follow-up",
        long=True,
        instead="Nothing to draw yet.",
        heading="Better, of 100 measured, month by month",
        reading=verdict(now) or "Nothing was measured this month.",
        limits=LIMITS,
        figure=figures.control_chart(
            months,
            [
                figures.ControlPoint(
                    value=drawn(row["response_rate"], 100),
                    level=drawn(row["before_rate"], 100),
                    low=drawn(row["limit_low"], 100),
                    high=drawn(row["limit_high"], 100),
                    beyond=row["beyond_limits"],
                )
                for row in rows
            ],
            "month in which follow-up ended",
            "better, of 100 measured",
        ),
        table=table(
            "Courses whose follow-up ended, by the symptom score",
            (
                *("Month", "courses", *OUTCOMES.values(), "better of 100 measured"),
                *("twelve months before", "limits of chance", "judged"),
            ),
            [
                (
                    words.short_month(row["month"]),
                    source.count(row["courses"]),
                    *(source.count(row[count]) for count in OUTCOMES),
                    words.in_100(row["response_rate"]),
                    words.in_100(row["before_rate"]),
                    words.in_100_span(row["limit_low"], row["limit_high"]),
                    _judgement(row),
                )
                for row in reversed(rows)
            ],
            words_in=(0, 10),
        ),
    )


def by_rule(source: Source, rows: list[Row]) -> Table:
    """This month by every rule."""
    return table(
        "This month by each rule",
        (
            *("Rule", "of", "in all", *OUTCOMES.values(), "better of 100 measured"),
            *("twelve months before", "limits of chance", "judged"),
        ),
        [
            (
                words.RULES[row["rule"]],
                words.UNITS[row["unit"]] + "s",
                source.count(row["courses"]),
                *(source.count(row[count]) for count in OUTCOMES),
                words.in_100(row["response_rate"]),
                words.in_100(row["before_rate"]),
                words.in_100_span(row["limit_low"], row["limit_high"]),
                _judgement(row),
            )
            for row in rows
        ],
        words_in=(0, 1, 11),
    )


def _judgement(row: Row) -> str:
    if row["beyond_limits"] is None:
        return "not judged" if row["courses"] else words.NONE
    if not row["beyond_limits"]:
        return "within chance"
    return "lower" if row["response_rate"] < row["before_rate"] else "higher"
