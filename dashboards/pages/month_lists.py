"""A month page's lists of patients, and of figures that read otherwise than before."""

from dashboards import words
from dashboards.page import Key, Link, Table, table
from dashboards.source import Clinic, Source
from dashboards.warehouse import Row

BATCHES_TOLD = 6


def overdue(source: Source, clinic: Clinic) -> int:
    """How many of those to recall now are."""
    return len(source.full.find("recall_due", site=clinic.code, on_list=True, status="overdue"))


def due_sentence(source: Source, row: Row) -> str:
    """As at the month's end, whoever is on the list now."""
    return (
        f"At the end of the month {source.many(row['due'], 'patient')} "
        f"{words.were(row['due'])} due for maintenance and {source.told(row['overdue'])} "
        f"{words.were(row['overdue'])} overdue, counted from each patient's completed course or "
        "last maintenance day, with the days that group.toml gives for the protocol. Some of them "
        "may not be for calling, as who moved or declined: the list leaves them out."
    )


def recall_link(clinic: Clinic) -> Link:
    return Link("Who is due now, one by one", f"{clinic.folder}recall.html")


def late(source: Source, clinic: Clinic) -> int:
    return len(_awaited(source, clinic))


def late_sentence(source: Source, clinic: Clinic) -> str:
    awaited = _awaited(source, clinic)
    if not awaited:
        return "No course in progress waits longer for its next session than planned."
    waiting = words.capital(source.many(len(awaited), "course"))
    verb = "waits" if len(awaited) == 1 else "wait"
    return (
        f"{waiting} in progress {verb} longer for the next session than the protocol's spacing. A "
        f"course counts as broken off {source.settings.numbers.course_gap_days} days after its "
        "last session: until then it can still be completed. Ask why first."
    )


def late_sessions(source: Source, clinic: Clinic) -> Table:
    """Whose next session is late now, the longest waiting first."""
    off = len(source.full.find("late_sessions", site=clinic.code, on_list=False))
    left_out = f"; {source.many(off, 'more')} left out, as moved, or their plan has ended"
    rows = sorted(_awaited(source, clinic), key=lambda row: (-row["days_late"], row["patient_key"]))
    return table(
        f"Next sessions that were late on {words.day(clinic.cutoff)}" + (left_out if off else ""),
        ("Patient", "sessions so far", "days late", "last session", "expected by", "protocol"),
        [
            (
                Key(row["patient_key"]),
                f"{row['sessions']} of {row['sessions_planned']}",
                source.count(row["days_late"]),
                words.short_day(row["last_session"]),
                words.short_day(row["expected_by"]),
                source.protocols[row["protocol"]],
            )
            for row in rows
        ],
        words_in=(0, 5),
        empty="none.",
    )


def changed(source: Source, clinic: Clinic, month: str = "") -> list[Row]:
    """Figures that the release before published otherwise: of one month, or of all."""
    where = {"month": month} if month else {}
    return source.full.find("quality.restatements", site=clinic.code, **where)


def changed_sentence(source: Source, rows: list[Row], whose: str) -> str:
    if not rows:
        return f"No figure of {whose} reads otherwise than in the release before."
    figures = words.capital(source.many(len(rows), "figure"))
    verb = "reads" if len(rows) == 1 else "read"
    return (
        f"{figures} of {whose} {verb} otherwise than in the release before "
        f"({rows[0]['release_before']}). {_why(rows[0]['batches_since'])}"
    )


def _why(batches_since: str | None) -> str:
    """What came in between the two releases."""
    if batches_since is None:
        return "No batch of the clinic came in since: settings or the program changed."
    batches = batches_since.split(";")
    told = words.listing(
        batches
        if len(batches) <= BATCHES_TOLD
        else [*batches[-BATCHES_TOLD:], f"{len(batches) - BATCHES_TOLD} earlier ones"]
    )
    return f"Since then came in, were read anew or count no longer: {told}."


def changes(source: Source, rows: list[Row]) -> Table:
    return table(
        "What was published, and what stands now",
        ("Month", "figure", "was", "is now", "change"),
        [
            (
                words.short_month(row["month"]),
                words.plain(row["figure"], words.MONTH_FIGURES),
                _value(row, "published_before"),
                _value(row, "published_now"),
                _value(row, "change", signed=True),
            )
            for row in sorted(rows, key=lambda row: (row["month"], row["figure"]), reverse=True)
        ],
        words_in=(0, 1),
        empty="nothing.",
    )


def _value(row: Row, column: str, *, signed: bool = False) -> str:
    if row[column] is None:
        return words.NONE if signed else "not known"
    return words.signed(float(row[column])) if signed else words.number(row[column])


def _awaited(source: Source, clinic: Clinic) -> list[Row]:
    return source.full.find("late_sessions", site=clinic.code, on_list=True)
