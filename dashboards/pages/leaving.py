"""Where patients leave: from the assessment to a completed course, why, and how long they wait."""

from collections.abc import Iterator, Mapping

from dashboards import cautions, figures, words
from dashboards.kinds import group_page
from dashboards.page import Chart, Choice, Page, Question, Section, Table, table
from dashboards.shared_tables import TOTAL
from dashboards.source import Source, drawn
from dashboards.warehouse import Row

SAME_PATIENTS = (
    "The same patients at every step, as they stand where the clinic's data end. A course can "
    "start without an acceptance on record."
)
WAITED = (
    "Days of those who began a course; who still waits, or has left, is not among them, so that "
    "all who were assessed would wait longer. A wait while a patient puts it off, or tries home "
    "care first, counts too."
)


def pages(source: Source) -> Iterator[Page]:
    yield group_page(
        "leaving",
        title="Where patients leave",
        content={
            "followed": source.settings.numbers.course_gap_days,
            "choice": _choice(source),
            "unknown": _without_plans(source),
        },
        read_with_care=(cautions.NOT_A_LEAGUE, cautions.hidden_counts(source.below)),
    )


def _reading(source: Source, row: Row) -> str:
    if not words.are_told(*(row[step] for step in words.STEPS)):
        return words.TOO_FEW
    return (
        f"Of {source.many(row['assessed'], 'patient')} assessed, a course was recommended to "
        f"{source.told(row['recommended'])}; {source.told(row['accepted'])} accepted, "
        f"{source.told(row['started'])} started and {source.told(row['completed'])} completed it."
    )


def _choice(source: Source) -> Choice:
    clinics = {TOTAL: "all clinics", **{c.code: c.label for c in source.clinics}}
    return Choice(
        (Question("clinic", "Clinic", clinics),),
        tuple(
            _section(source, code, label, row)
            for code, label in clinics.items()
            for row in source.shared.find("leaving", site=code)
        ),
        empty="No clinic has sent plans long enough ago.",
    )


def _section(source: Source, site: str, label: str, row: Row) -> Section:
    return Section(
        (site,),
        charts=(
            _levels(
                source,
                row,
                slug=f"steps-{site}",
                heading=f"How far they got: {label}",
                reading=_reading(source, row),
                limits=SAME_PATIENTS,
                columns=words.STEPS,
            ),
            _levels(
                source,
                row,
                slug=f"not-started-{site}",
                heading=f"Not started: {label}",
                reading=_most(source, row, _not_started(), "Of those who have not started"),
                limits="By the latest decision on record.",
                columns=_not_started(),
            ),
            _levels(
                source,
                row,
                slug=f"stopped-{site}",
                heading=f"Stopped early: {label}",
                reading=_most(source, row, _ended(), "Of those who stopped"),
                limits="By the reason on record of the plan that was accepted.",
                columns=_ended(),
            ),
            *_waits(source, site, label),
        ),
    )


def _not_started() -> dict[str, str]:
    return {f"not_started_{code}": text for code, text in words.NOT_STARTED.items()}


def _ended() -> dict[str, str]:
    return {f"end_{code}": text for code, text in words.END_REASONS.items()}


def _levels(
    source: Source,
    row: Row,
    *,
    slug: str,
    heading: str,
    reading: str,
    limits: str,
    columns: Mapping[str, str],
) -> Chart:
    return Chart(
        slug=slug,
        heading=heading,
        reading=reading,
        limits=f"{limits} None, or a hidden count, has no bar.",
        figure=figures.levels(
            [(text, drawn(row[column])) for column, text in columns.items()], "patients"
        ),
        table=table(
            heading,
            ("Step", "patients"),
            [(words.capital(text), source.count(row[column])) for column, text in columns.items()],
        ),
    )


def _most(source: Source, row: Row, columns: Mapping[str, str], of_whom: str) -> str:
    """The counts that are told, most often first, three at most."""
    told = [
        (row[column], text)
        for column, text in columns.items()
        if words.are_told(row[column]) and row[column] > 0
    ]
    if not told:
        is_hidden = any(not words.are_told(row[column]) for column in columns)
        return words.TOO_FEW if is_hidden else f"{of_whom}: none."
    told.sort(key=lambda found: -found[0])
    return f"{of_whom}: {words.listing([f'{text} {source.count(n)}' for n, text in told[:3]])}."


def _waits(source: Source, site: str, label: str) -> Iterator[Chart]:
    rows = {row["step"]: row for row in source.shared.find("waiting_times", site=site)}
    if not rows:
        return
    told = [
        f"{words.days(row['median_days'])} days {words.WAITS[step]}"
        for step in words.WAITS
        if (row := rows.get(step)) and words.are_told(row["median_days"])
    ]
    yield Chart(
        slug=f"waits-{site}",
        heading=f"How long they waited: {label}",
        reading=f"Half waited no longer than {words.listing(told)}." if told else words.TOO_FEW,
        limits=f"The line runs from the end of the first quarter to that of the third. {WAITED}",
        figure=figures.dots(
            [
                figures.Dot(
                    words.WAITS[step],
                    f"{source.count(rows[step]['waits'])} who began",
                    value=drawn(rows[step]["median_days"]),
                    low=drawn(rows[step]["quarter_days"]),
                    high=drawn(rows[step]["three_quarters_days"]),
                )
                for step in words.WAITS
                if step in rows
            ],
            "days",
            upto=None,
            limits_are="the middle half",
            value_is="half waited no longer",
        ),
        table=_waits_table(source, f"Days waited: {label}", rows),
    )


def _waits_table(source: Source, caption: str, rows: Mapping[str, Row]) -> Table:
    return table(
        caption,
        ("Wait", "who began", "a quarter, up to", "half, up to", "three quarters, up to"),
        [
            (
                words.capital(text),
                source.count(rows[step]["waits"]),
                words.days(rows[step]["quarter_days"]),
                words.days(rows[step]["median_days"]),
                words.days(rows[step]["three_quarters_days"]),
            )
            for step, text in words.WAITS.items()
            if step in rows
        ],
    )


def _without_plans(source: Source) -> str:
    """The clinics whose patients' way to a course is not known."""
    known = {row["site"] for row in source.full.find("leaving")}
    missing = [clinic.label for clinic in source.clinics_with_data if clinic.code not in known]
    if not missing:
        return ""
    return (
        f"Not known for {words.listing(missing)}: no plans have come from there, or nobody was "
        "assessed long enough ago."
    )
