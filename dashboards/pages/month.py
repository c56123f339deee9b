"""How was the month at a clinic: one page a month, and an index that opens on the latest."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from dashboards import cautions, figures, words
from dashboards.kinds import clinic_page
from dashboards.page import Chart, Link, Page, Table, Value, table
from dashboards.pages import month_lists, month_outcomes, refusals, safety
from dashboards.shared_tables import TOTAL
from dashboards.source import Clinic, Source, drawn
from dashboards.trend import Trend, trend
from dashboards.warehouse import Row

NOTHING_TO_DRAW = "Nothing to draw yet."
MONTHS_SHOWN = 13  # this month, and the same month a year before


@dataclass(frozen=True)
class Months:
    """A clinic's months, oldest first, and what other tables say of each."""

    rows: list[Row]
    outcomes: Mapping[str, list[Row]]  # a row a rule
    home_care: Mapping[str, Row]
    records: Mapping[str, Row]
    broken_off: Mapping[str, list[Row]]

    def recent(self, place: int) -> list[Row]:
        return self.rows[max(0, place + 1 - MONTHS_SHOWN) : place + 1]

    def by_symptoms(self, month: str) -> Row:
        [row] = [row for row in self.outcomes[month] if row["rule"] == month_outcomes.HEADLINE_RULE]
        return row


def pages(source: Source) -> Iterator[Page]:
    for clinic in source.clinics_with_data:
        months = _months_of(source, clinic)
        every_month = _months_table(source, clinic, months.rows)
        last = len(months.rows) - 1
        latest = _page(source, clinic, months, last, every_month)
        for place in range(last):
            yield _page(source, clinic, months, place, every_month)
        yield latest
        yield replace(latest, path=f"{clinic.folder}index.html")


def _months_of(source: Source, clinic: Clinic) -> Months:
    rows = source.full.find("month_summary", site=clinic.code)
    outcomes: dict[str, list[Row]] = {row["month"]: [] for row in rows}
    rules = {rule["rule"]: rule["position"] for rule in source.rules}
    found = source.full.find("month_outcomes", site=clinic.code)
    for row in sorted(found, key=lambda row: rules[row["rule"]]):
        outcomes[row["month"]].append(row)
    broken_off: dict[str, list[Row]] = {row["month"]: [] for row in rows}
    for row in source.full.find("broken_off", site=clinic.code):
        broken_off[row["month"]].append(row)
    home_care, records = (
        {row["month"]: row for row in source.full.find(name, site=clinic.code)}
        for name in ("month_home_care", "month_records")
    )
    return Months(rows, outcomes, home_care, records, broken_off)


def _page(source: Source, clinic: Clinic, months: Months, place: int, every_month: Table) -> Page:
    row = months.rows[place]
    month = row["month"]
    is_latest = place == len(months.rows) - 1
    recent = months.recent(place)
    delivered = _delivered(source, clinic, recent)
    this_month = [row for row in delivered if row["month"] == month]
    outcome = months.by_symptoms(month)
    changed = month_lists.changed(source, clinic, "" if is_latest else month)
    return clinic_page(
        clinic,
        month,
        "month",
        title=f"{clinic.label}, {words.month(month)}",
        content={
            "lead": _lead(source, clinic, row),
            "sessions_refused": _sessions_refused(source, clinic, row),
            "harm_line": _harm_line(source, clinic, months.records[month]),
            "harms": safety.reported(source, clinic, month),
            "waiting": _waiting(source, clinic, month),
            "safety_page": f"{clinic.folder}safety.html",
            "measures": _measures(source, recent),
            "to_do": _to_do(source, clinic, months.records[month], changed, is_latest=is_latest),
            "courses": _courses(source, row, months.broken_off[month]),
            "sessions_chart": _sessions_chart(source, recent),
            "due": month_lists.due_sentence(source, row),
            "recall_link": month_lists.recall_link(clinic),
            "latest": None if is_latest else _link(clinic, months.rows, len(months.rows) - 1),
            "late": month_lists.late_sentence(source, clinic) if is_latest else "",
            "late_list": month_lists.late_sessions(source, clinic) if is_latest else None,
            "outcome": month_outcomes.sentence(source, outcome),
            "outcome_chart": month_outcomes.chart(
                source, [months.by_symptoms(row["month"]) for row in recent]
            ),
            "by_rule": month_outcomes.by_rule(source, months.outcomes[month]),
            "delivery": [
                made(source, row) for row in this_month for made in (_as_planned, _on_record)
            ],
            "delivery_chart": _delivery_chart(source, delivered) if delivered else None,
            "chair": _chair(source, row, months.records[month]),
            "home_care": month_outcomes.home_care(source, months.home_care[month]),
            "captured": month_outcomes.captured(source, outcome),
            "refused_line": refusals.in_short(source, months.records[month]),
            "refused": refusals.of_batches(source, clinic, month),
            "changed": month_lists.changed_sentence(
                source, changed, "earlier months" if is_latest else "this month"
            ),
            "changes": month_lists.changes(source, changed),
            "check": (
                f"Your own system should show {source.many(row['sessions'], 'session')} for "
                f"{words.month(month)}. If it does not, tell whoever sends the exports."
            ),
            "before": _link(clinic, months.rows, place - 1),
            "after": _link(clinic, months.rows, place + 1),
            "months": every_month,
        },
        read_with_care=(cautions.RECALL, cautions.OWN_GRADES),
    )


def _link(clinic: Clinic, rows: list[Row], place: int) -> Link | None:
    if not 0 <= place < len(rows):
        return None
    month = rows[place]["month"]
    return Link(words.month(month), f"{clinic.folder}{month}.html")


def _lead(source: Source, clinic: Clinic, row: Row) -> str:
    month = f"{words.month(row['month'])}{_so_far(clinic, row['month'])}"
    if _sessions_refused(source, clinic, row):
        given = f"No session of {month} stands: rows of its sessions were refused."
    elif row["sessions"] == 0:
        given = f"{clinic.label} gave no session in {month}."
    else:
        given = (
            f"In {month} {clinic.label} gave {source.many(row['sessions'], 'session')} to "
            f"{source.many(row['treated_patients'], 'patient')}."
        )
    begun = source.many(row["new_courses"], "course")
    return (
        f"{given} {words.capital(begun)} began, {source.told(row['completed'])} "
        f"{words.were(row['completed'])} completed and {source.told(row['stopped'])} broke off."
    )


def _so_far(clinic: Clinic, month: str) -> str:
    """Up to when the clinic's data go, where they end within the month."""
    ends_on = words.month_ends_on(month)
    if clinic.cutoff is None or clinic.cutoff >= ends_on:
        return ""
    return f" (only up to {words.day(clinic.cutoff)})"


def _sessions_refused(source: Source, clinic: Clinic, row: Row) -> bool:
    """Whether the month has no session because those that were sent were refused."""
    return row["sessions"] == 0 and refusals.refused_sessions(source, clinic, row["month"])


def _waiting(source: Source, clinic: Clinic, month: str) -> str:
    """What waits at the clinic, and of it in this month; empty where nothing does."""
    waiting = len(safety.to_settle(source, clinic))
    if not waiting:
        return ""
    now = len(safety.to_settle(source, clinic, month))
    return (
        f"{words.capital(source.many(waiting, 'harm'))} of this clinic "
        f"{words.were(waiting)} refused, lowered or withdrawn and not settled yet, "
        f"{source.told(now)} of this month."
    )


def _harm_line(source: Source, clinic: Clinic, record: Row) -> list[Value]:
    """What is known of harm; where none was reported, in how many asked and not asked."""
    month = record["month"]
    waiting = len(safety.to_settle(source, clinic, month))
    rows = _any_harm(source, clinic, month)
    if waiting or not rows or rows[0]["asked"] == 0 or rows[0]["events"]:
        return safety.harm_line(source, source.full, clinic.code, month, waiting=waiting)
    [row] = rows
    asked, not_asked = row["asked"], record["sessions_not_asked"]
    return [
        f"No harm reported in {source.many(asked, 'session')} asked; {source.told(not_asked)} not "
        f"asked. None seen in {source.told(asked)} means that up to "
        f"{words.per_100(row['rate_high'])} in 100 sessions are not excluded.",
        *safety.above_100(row),
    ]


def _any_harm(source: Source, clinic: Clinic, month: str) -> list[Row]:
    anything = {"protocol": TOTAL, "event": TOTAL, "severity": TOTAL}
    return source.full.find("safety", site=clinic.code, month=month, **anything)


@dataclass(frozen=True)
class Measure:
    """One figure of the month, and how it went in the months before."""

    name: str
    value: str
    trend: Trend


def _measures(source: Source, rows: list[Row]) -> list[Measure]:
    columns = {
        "sessions": "sessions",
        "treated_patients": "patients treated",
        "chair_minutes": "time in the chair",
        "new_courses": "courses begun",
        "completed": "courses completed",
        "stopped": "courses broken off",
        "due": "due for maintenance",
        "overdue": "overdue",
    }
    return [
        Measure(name, _shown(source, rows[-1], column), _went(source, rows, column, name))
        for column, name in columns.items()
    ]


def _shown(source: Source, row: Row, column: str) -> str:
    value = row[column]
    return words.hours(value) if column == "chair_minutes" else source.count(value)


def _went(source: Source, rows: list[Row], column: str, name: str) -> Trend:
    told = ", ".join(_shown(source, row, column) for row in rows)
    return trend(
        [drawn(row[column]) for row in rows],
        f"{words.capital(name)}, month by month from {words.month(rows[0]['month'])} to "
        f"{words.month(rows[-1]['month'])}: {told}.",
    )


def _to_do(
    source: Source, clinic: Clinic, record: Row, changed: list[Row], *, is_latest: bool
) -> list[Link]:
    """What waits for somebody, each with the place that tells more."""
    overdue = month_lists.overdue(source, clinic) if is_latest else 0
    late = month_lists.late(source, clinic) if is_latest else 0
    whole, refused = record["files_refused"], record["rows_refused"]
    waiting = (
        (late, f"{source.many(late, 'next session')} late: see who, and ask why", "#late"),
        (
            overdue,
            f"{source.many(overdue, 'patient')} to recall: overdue for maintenance",
            f"{clinic.folder}recall.html#overdue",
        ),
        (whole, f"{source.many(whole, 'file')} refused whole: mend and send again", "#refused"),
        (refused, f"{source.many(refused, 'row')} refused: how to mend them", "#refused"),
        (
            len(changed),
            f"{source.many(len(changed), 'figure')} changed since the release before",
            "#changed",
        ),
    )
    return [Link(words.capital(text), to) for count, text, to in waiting if count]


def _courses(source: Source, row: Row, broken_off: list[Row]) -> str:
    """What became of courses, and after which session those broke off that did."""
    gap = source.settings.numbers.course_gap_days
    counted = (
        f"{words.capital(source.many(row['new_courses'], 'course'))} began, "
        f"{source.told(row['completed'])} {words.were(row['completed'])} completed"
    )
    if not broken_off:
        return f"{counted} and none broke off."
    after = words.listing(
        [
            f"{source.told(part['courses'])} after {source.many(part['sessions_given'], 'session')}"
            for part in broken_off
        ]
    )
    return (
        f"{counted} and {source.told(row['stopped'])} broke off: {after}. A course is known as "
        f"broken off when {gap} days have passed since its last session, so these ended earlier."
    )


def _chair(source: Source, row: Row, record: Row) -> str:
    if row["sessions"] == 0:
        return "There was no session."
    if row["chair_minutes"] is None:
        return f"It was recorded in none of {source.many(row['sessions'], 'session')}."
    return (
        f"{words.hours(row['chair_minutes'])}, as recorded in "
        f"{source.told(record['sessions_timed'])} of {source.many(row['sessions'], 'session')}."
    )


def _as_planned(source: Source, row: Row) -> Table:
    return table(
        f"As planned, of {source.many(row['session_eyes'], 'eye')} treated "
        "(a session counts once for each eye)",
        ("What", "eyes recorded", "of 100 recorded"),
        [
            (
                text,
                source.count(row[f"{check}_recorded"]),
                words.to_a_tenth(row[f"{check}_share"]),
            )
            for check, text in words.DELIVERY.items()
        ],
    )


def _on_record(source: Source, row: Row) -> Table:
    return table(
        f"On record, of {source.many(row['session_eyes'], 'eye')} treated",
        ("What", "eyes"),
        [(text, source.count(row[mark])) for mark, text in words.DELIVERY_MARKS.items()],
    )


def _sessions_chart(source: Source, rows: list[Row]) -> Chart:
    months = [words.short_month(row["month"]) for row in rows]
    parts = {"sessions": "sessions", "new_courses": "courses begun"}
    now = rows[-1]
    return Chart(
        slug="sessions",
        long=True,
        instead=NOTHING_TO_DRAW,
        heading="Sessions and courses begun, month by month",
        reading=(
            f"{words.capital(source.many(now['sessions'], 'session'))} and "
            f"{source.many(now['new_courses'], 'new course')} in {months[-1]}, beside the months "
            "before."
        ),
        limits="Counts as exported. The latest month may be short where its batch ends early.",
        figure=figures.bars(
            months,
            [(name, [drawn(row[column]) for row in rows]) for column, name in parts.items()],
            "month",
            "count",
        ),
        table=_by_month(
            source,
            "Sessions and courses",
            rows,
            {
                "sessions": "sessions",
                "treated_patients": "patients",
                "new_courses": "courses begun",
                "completed": "completed",
                "stopped": "broken off",
            },
        ),
    )


def _delivered(source: Source, clinic: Clinic, rows: list[Row]) -> list[Row]:
    """Delivery in those of these months in which an eye was treated."""
    found = {
        row["month"]: row for row in source.full.find("delivery", site=clinic.code, protocol=TOTAL)
    }
    return [found[row["month"]] for row in rows if row["month"] in found]


def _delivery_chart(source: Source, treated: list[Row]) -> Chart:
    months = [words.short_month(row["month"]) for row in treated]
    now = treated[-1]
    return Chart(
        slug="delivered",
        long=True,
        heading="Delivered as planned, month by month",
        instead=NOTHING_TO_DRAW,
        reading=(
            f"In {months[-1]} the plateau lay in the protocol's band in "
            f"{words.to_a_tenth(now['in_band_share'])} of 100 eyes recorded "
            f"({source.count(now['in_band_recorded'])} of "
            f"{source.count(now['session_eyes'])} eyes treated)."
            if now["in_band_recorded"]
            else f"In {months[-1]} no plateau temperature was recorded."
        ),
        limits=(
            "Only what was recorded can be judged. Bands, minutes and spacing are those of "
            "group.toml: common practice, no source."
        ),
        figure=figures.lines(
            months,
            [
                figures.Line(text, [drawn(row[f"{check}_share"], 100) for row in treated])
                for check, text in words.DELIVERY.items()
            ],
            "month",
            "of 100 eyes recorded",
            upto=100,
        ),
        table=table(
            "Delivered as planned, of 100 eyes recorded (eyes recorded)",
            ("Month", "eyes treated", *words.DELIVERY.values()),
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
                for label, row in reversed(list(zip(months, treated, strict=True)))
            ],
        ),
    )


def _by_month(source: Source, caption: str, rows: list[Row], columns: dict[str, str]) -> Table:
    return table(
        caption,
        ("Month", *columns.values()),
        [
            (words.short_month(row["month"]), *(source.count(row[column]) for column in columns))
            for row in reversed(rows)
        ],
    )


def _months_table(source: Source, clinic: Clinic, rows: list[Row]) -> Table:
    columns = {
        "sessions": "sessions",
        "new_courses": "courses begun",
        "completed": "completed",
        "stopped": "broken off",
        "due": "due",
        "overdue": "overdue",
        "refused_rows": "rows refused",
    }
    return table(
        "Every month",
        ("Month", *columns.values(), "harms"),
        [
            (
                Link(
                    words.together(words.short_month(row["month"])),
                    f"{clinic.folder}{row['month']}.html",
                ),
                *(source.count(row[column]) for column in columns),
                safety.counted(source, clinic, row["month"]),
            )
            for row in reversed(rows)
        ],
    )
