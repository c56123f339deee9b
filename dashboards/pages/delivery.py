"""Delivered as planned: sessions against their own protocol, by month, clinic and protocol."""

from collections.abc import Iterator, Mapping, Sequence

from dashboards import cautions, figures, words
from dashboards.kinds import group_page
from dashboards.page import Chart, Choice, Page, Question, Section, Table, table
from dashboards.shared_tables import TOTAL
from dashboards.source import Source, drawn
from dashboards.warehouse import Row, Tables

TOTALS = {"site": TOTAL, "protocol": TOTAL, "month": TOTAL}
NOTHING = "No session has been given yet."
ALL_SESSIONS = (
    "Each share is of the session-eyes for which the item was recorded; what was not recorded is "
    "left out, never counted as kept. All sessions are here, of courses and maintenance, not a "
    "sample of them, so there are no limits. A hidden share has no mark. "
    "Temperatures are those at the lid sensor."
)
CEILING = "over_temperature"
FEW_TOO_HOT = (
    "Not drawn, since in some months so few lay above it that their count is hidden; each clinic's "
    "own page draws its months."
)


def pages(source: Source) -> Iterator[Page]:
    yield group_page(
        "delivery",
        title="Delivered as planned",
        content={"choice": _choice(source)},
        read_with_care=(cautions.NOT_A_LEAGUE, cautions.hidden_counts(source.below)),
    )


def over_temperature(source: Source, tables: Tables, site: str) -> Chart | None:
    """How often the hottest moment lay above the ceiling, month by month.

    Where a month's count is hidden nothing is drawn: the months with none would look like all.
    """
    rows = _by_month(tables, site)
    if not rows:
        return None
    [total] = tables.find("delivery", **TOTALS | {"site": site})
    shares = [row[f"{CEILING}_share"] for _, row in rows]
    drawn_shares = [drawn(share, 100) for share in shares] if words.are_told(*shares) else []
    return Chart(
        slug="over-temperature",
        long=True,
        heading="Hottest moment above the protocol's ceiling, month by month",
        reading=_told_of_ceiling(source, total),
        limits=(
            "Of 100 session-eyes with their highest temperature recorded, all of them, so without "
            "limits. The temperature at the lid sensor is not that of the tissue."
        ),
        figure=figures.lines(
            [label for label, _ in rows],
            [figures.Line("above the ceiling", drawn_shares)],
            "month of the session",
            "of 100 session-eyes",
            upto=None,
        ),
        table=table(
            "Hottest moment above the ceiling",
            ("Month", "session-eyes with it recorded", "above the ceiling, of 100"),
            [
                (
                    label,
                    source.count(row[f"{CEILING}_recorded"]),
                    words.to_a_tenth(row[f"{CEILING}_share"]),
                )
                for label, row in rows
            ],
        ),
        instead=FEW_TOO_HOT,
    )


def _told_of_ceiling(source: Source, row: Row) -> str:
    share, recorded = row[f"{CEILING}_share"], row[f"{CEILING}_recorded"]
    if recorded == 0:
        return "The highest temperature was recorded for none."
    if not words.are_told(share, recorded):
        return words.TOO_FEW
    return (
        f"In {words.to_a_tenth(share)} of 100 session-eyes ({source.count(recorded)} with "
        "it recorded), the hottest moment lay above the ceiling of the protocol."
    )


def _reading(row: Row) -> str:
    told = [
        f"{text} in {words.to_a_tenth(row[f'{check}_share'])}"
        for check, text in words.DELIVERY.items()
        if row[f"{check}_share"] is not None and words.are_told(row[f"{check}_share"])
    ]
    return f"Of 100 session-eyes recorded: {words.listing(told)}." if told else words.TOO_FEW


def _choice(source: Source) -> Choice:
    clinics = {clinic.code: clinic.label for clinic in source.clinics}
    breakdowns = {
        "month": _by_month(source.shared, TOTAL),
        "clinic": _rows(source, "site", {**clinics, TOTAL: "all clinics"}),
        "protocol": _rows(source, "protocol", {**source.protocols, TOTAL: "all protocols"}),
    }
    return Choice(
        (Question("by", "Rows", {by: f"by {by}" for by in breakdowns}),),
        tuple(_section(source, by, rows) for by, rows in breakdowns.items() if rows),
        empty=NOTHING,
    )


def _by_month(tables: Tables, site: str) -> list[tuple[str, Row]]:
    rows = tables.find("delivery", site=site, protocol=TOTAL)
    rows = sorted((row for row in rows if row["month"] != TOTAL), key=lambda row: str(row["month"]))
    return [(words.short_month(row["month"]), row) for row in rows]


def _rows(source: Source, column: str, labels: Mapping[str, str]) -> list[tuple[str, Row]]:
    return [
        (label, row)
        for code, label in labels.items()
        for row in source.shared.find("delivery", **TOTALS | {column: code})
    ]


def _section(source: Source, by: str, rows: Sequence[tuple[str, Row]]) -> Section:
    heading = f"As planned, by {by}"
    [total] = source.shared.find("delivery", **TOTALS)
    return Section(
        (by,),
        charts=(
            Chart(
                slug=f"by-{by}",
                heading=heading,
                reading=_reading(total),
                limits=ALL_SESSIONS,
                figure=_figure(source, by, rows),
                table=_table(source, heading, by, rows),
            ),
        ),
        tables=(_marks(source, by, rows),),
    )


def _figure(source: Source, by: str, rows: Sequence[tuple[str, Row]]) -> figures.Figure | None:
    names = list(words.DELIVERY.values())
    if by == "month":
        return figures.lines(
            [label for label, _ in rows],
            [
                figures.Line(name, [drawn(row[f"{check}_share"], 100) for _, row in rows])
                for check, name in words.DELIVERY.items()
            ],
            "month of the session",
            "of 100 session-eyes recorded",
            upto=100,
        )
    return figures.several(
        [
            figures.Several(
                label,
                source.many(row["session_eyes"], "session-eye"),
                tuple(drawn(row[f"{check}_share"], 100) for check in words.DELIVERY),
            )
            for label, row in rows
        ],
        names,
        "of 100 session-eyes recorded",
    )


def _table(source: Source, heading: str, by: str, rows: Sequence[tuple[str, Row]]) -> Table:
    return table(
        f"{heading}: of 100 session-eyes for which it was recorded (how many these are)",
        (words.capital(by), "session-eyes", *words.DELIVERY.values()),
        [
            (
                label,
                source.count(row["session_eyes"]),
                *(
                    f"{words.to_a_tenth(row[f'{check}_share'])} "
                    f"({source.count(row[f'{check}_recorded'])})"
                    for check in words.DELIVERY
                ),
            )
            for label, row in rows
        ],
    )


def _marks(source: Source, by: str, rows: Sequence[tuple[str, Row]]) -> Table:
    return table(
        f"Also recorded, by {by}: how many session-eyes",
        (
            *(words.capital(by), "session-eyes", *words.DELIVERY_MARKS.values()),
            "median CEM43, min",
        ),
        [
            (
                label,
                *(source.count(row[c]) for c in ("session_eyes", *words.DELIVERY_MARKS)),
                words.per_100(row["median_cem43"], digits=2),
            )
            for label, row in rows
        ],
    )
