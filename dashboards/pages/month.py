"""How was the month at a clinic: one page a month, and an index that opens on the latest."""

from collections.abc import Iterator
from dataclasses import replace

from dashboards import cautions, figures, words
from dashboards.page import Chart, Link, Page, Table, table
from dashboards.pages import refusals, safety
from dashboards.shared_tables import TOTAL
from dashboards.source import HEADLINE_SHARE, HEADLINE_TOLD, Clinic, Source, clinic_menu, drawn
from dashboards.warehouse import Row

NOTHING_TO_DRAW = "Nothing to draw yet."
MONTHS_SHOWN = 13  # this month, and the same month a year before
FEW_MEASURED = (
    f"Fewer than {HEADLINE_TOLD} of them were measured: too few to say how the others fared."
)


def pages(source: Source) -> Iterator[Page]:
    for clinic in source.clinics_with_data:
        rows = source.full.find("month_summary", site=clinic.code)
        months = _months_table(source, clinic, rows)
        latest = _page(source, clinic, rows, len(rows) - 1, months)
        for place in range(len(rows) - 1):
            yield _page(source, clinic, rows, place, months)
        yield latest
        yield replace(latest, path=f"{clinic.folder}index.html")


def _page(source: Source, clinic: Clinic, rows: list[Row], place: int, months: Table) -> Page:
    row = rows[place]
    month = row["month"]
    recent = rows[max(0, place + 1 - MONTHS_SHOWN) : place + 1]
    names = [words.short_month(row["month"]) for row in recent]
    delivered = _delivered(source, clinic, recent)
    this_month = [row for row in delivered if row["month"] == month]
    return Page(
        path=f"{clinic.folder}{month}.html",
        template="month.html",
        title=f"{clinic.label}, {words.month(month)}",
        content={
            "lead": _lead(source, clinic, row),
            "sessions_refused": _sessions_refused(source, clinic, row),
            "harm_line": safety.harm_line(
                source,
                source.full,
                clinic.code,
                month,
                waiting=len(safety.to_settle(source, clinic, month)),
            ),
            "harms": safety.reported(source, clinic, month),
            "waiting": _waiting(source, clinic, month),
            "safety_page": f"{clinic.folder}safety.html",
            "key_figures": _key_figures(source, row),
            "check": (
                f"Your own system should show {source.many(row['sessions'], 'session')} for "
                f"{words.month(month)}. If it does not, tell whoever sends the exports."
            ),
            "due": (
                f"At the end of the month {source.many(row['due'], 'patient')} "
                f"{words.were(row['due'])} due for maintenance and "
                f"{source.told(row['overdue'])} {words.were(row['overdue'])} overdue. They are "
                "counted from the sessions exported: from each patient's completed course or last "
                "maintenance day, with the days that group.toml gives for the protocol. Who they "
                "are, the table recall_due of this release's warehouse tells for the latest "
                "month, by pseudonymous key."
            ),
            "sessions_chart": _sessions_chart(source, recent, names),
            "follow_up_chart": _follow_up_chart(source, recent, names),
            "delivery": [
                made(source, row) for row in this_month for made in (_as_planned, _on_record)
            ],
            "delivery_chart": _delivery_chart(source, delivered) if delivered else None,
            "refused": refusals.of_batches(source, clinic, month),
            "before": _link(clinic, rows, place - 1),
            "after": _link(clinic, rows, place + 1),
            "months": months,
        },
        cautions=(cautions.RECALL, cautions.OWN_GRADES, cautions.FULL_COUNTS),
        menu=clinic_menu(clinic),
    )


def _link(clinic: Clinic, rows: list[Row], place: int) -> Link | None:
    if not 0 <= place < len(rows):
        return None
    month = rows[place]["month"]
    return Link(words.month(month), f"{clinic.folder}{month}.html")


def _lead(source: Source, clinic: Clinic, row: Row) -> str:
    month = words.month(row["month"])
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


def _key_figures(source: Source, row: Row) -> list[tuple[str, str]]:
    return [
        ("sessions", source.count(row["sessions"])),
        ("patients treated", source.count(row["treated_patients"])),
        ("time in the chair", words.hours(row["chair_minutes"])),
        ("courses begun", source.count(row["new_courses"])),
        ("courses completed", source.count(row["completed"])),
        ("courses broken off", source.count(row["stopped"])),
        ("due for maintenance", source.count(row["due"])),
        ("overdue", source.count(row["overdue"])),
    ]


def _follow_up(source: Source, row: Row) -> list[str]:
    gap = source.settings.numbers.course_gap_days
    if row["matured"] == 0:
        return [f"No course came to the end of its follow-up ({gap} days after its last session)."]
    courses = words.capital(source.many(row["matured"], "course"))
    sentences = [
        f"{courses} came to the end of follow-up ({gap} days after the last session): "
        f"{source.told(row['evaluable'])} measured before and after, "
        f"{source.told(row['responders'])} of these better by the symptom score."
    ]
    if row["evaluable"] < HEADLINE_SHARE * row["matured"]:
        sentences.append(FEW_MEASURED)
    return sentences


def _as_planned(source: Source, row: Row) -> Table:
    return table(
        f"As planned, of {source.many(row['session_eyes'], 'eye')} treated "
        "(a session counts once for each eye)",
        ("What", "eyes recorded", "of 100 recorded"),
        [
            (
                text,
                source.count(row[f"{check}_recorded"]),
                words.in_100(row[f"{check}_share"]),
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


def _sessions_chart(source: Source, rows: list[Row], months: list[str]) -> Chart:
    parts = {"sessions": "sessions", "new_courses": "courses begun"}
    now = rows[-1]
    return Chart(
        slug="sessions",
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


def _follow_up_chart(source: Source, rows: list[Row], months: list[str]) -> Chart:
    parts = {"matured": "follow-up ended", "evaluable": "measured", "responders": "better"}
    return Chart(
        slug="follow-up",
        instead=NOTHING_TO_DRAW,
        heading="Courses whose follow-up ended, month by month",
        reading=" ".join(_follow_up(source, rows[-1])),
        limits=(
            "Each bar is a part of the one around it. A month holds few courses, so it moves by "
            "chance: read the clinic's own page 'Does it help?' for the answer."
        ),
        figure=figures.nested_bars(
            months,
            [(name, [drawn(row[column]) for row in rows]) for column, name in parts.items()],
            "month",
            "courses",
        ),
        table=_by_month(source, "Courses whose follow-up ended", rows, parts),
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
        heading="Delivered as planned, month by month",
        instead=NOTHING_TO_DRAW,
        reading=(
            f"In {months[-1]} the plateau lay in the protocol's band in "
            f"{words.in_100(now['in_band_share'])} of 100 eyes recorded "
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
                        f"{words.in_100(row[f'{check}_share'])} "
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
                Link(words.month(row["month"]), f"{clinic.folder}{row['month']}.html"),
                *(source.count(row[column]) for column in columns),
                safety.counted(source, clinic, row["month"]),
            )
            for row in reversed(rows)
        ],
    )
