"""What to expect: one sheet per grade for the consulting room, in plain words, and its index.

The sentences of a sheet are for patients: short, of reading age about 12, without a promise. Each
says one number, and none is said that would give a small count back.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import ceil, floor

from dashboards import cautions, coarse, icons, words
from dashboards.hidden_counts import Mark
from dashboards.kinds import GROUP_MENU, group_page
from dashboards.page import Link, Page, Table, table
from dashboards.pages.durability import DEFAULT, HOLDING
from dashboards.shared_tables import TOTAL
from dashboards.source import Source, totals
from dashboards.warehouse import Row

GRADING = "symptoms"
RULE = "symptoms"
GRADES = ("mild", "moderate", "severe")
ENOUGH = 30  # measured before and after, for a sheet; common practice, no source
ABOUT = 5  # to how many in 100 limits are widened
NEARLY_ALL = 0.9  # of whom may be said that nearly all were asked
HELD_AT = (6, 12)  # months
# The four parts of a whole: the share's column, the mark, and what so many of 100 were.
PARTS = (
    ("better_share", "better", "better: clearly fewer symptoms"),
    ("unchanged_share", "unchanged", "about the same"),
    ("worsened_share", "worse", "worse: clearly more symptoms"),
    ("not_measured_share", "not_measured", "not asked again"),
)
TOGETHER = "together"
COMMON = {"redness": "had red skin or red eyes", "discomfort": "felt sore or found it unpleasant"}
RARER = {
    "swelling": "swelling",
    "blister": "a blister",
    "burn": "a burn",
    "corneal": "harm to the front of the eye",
    "other": "some other harm",
}
NOT_SHOWN = "not shown"
TOO_FEW_MEASURED = (
    f"Fewer than {ENOUGH} people with this grade were asked before and after. That is too few to "
    "give you numbers."
)
TOO_FEW_TO_SHOW = "Too few people had this grade to give numbers that point at nobody."
TOO_FEW_TO_TELL = "Too few people were asked to tell you."


@dataclass(frozen=True)
class Sheet:
    """A grade's sheet; `why_not` is empty where it has figures. `measured`: before and after."""

    grade: str
    why_not: str
    measured: int

    @property
    def path(self) -> str:
        return f"expect/{self.grade}.html"

    @property
    def step(self) -> int:
        """To so many in 100 its shares are told."""
        return coarse.step_of(self.measured) or icons.WHOLE


def pages(source: Source) -> Iterator[Page]:
    """The index for those who print, then a sheet for each grade."""
    sheets = [_sheet(source, grade) for grade in GRADES]
    yield group_page(
        "expect",
        title="What to expect",
        content={"sheets": _sheets_table(source, sheets), "enough": ENOUGH},
        read_with_care=(cautions.OWN_GRADES, cautions.hidden_counts(source.below)),
    )
    for sheet in sheets:
        yield Page(
            path=sheet.path,
            template="expect_sheet.html",
            title=f"What to expect: {words.GRADES[GRADING][sheet.grade]} symptoms",
            content={
                "why_not": sheet.why_not,
                "score": _score(source, sheet.grade),
                "sections": [] if sheet.why_not else _sections(source, sheet),
            },
            cautions=cautions.PLAIN,
            menu=GROUP_MENU,
        )


def _sheet(source: Source, grade: str) -> Sheet:
    rows = source.full.find("expected_course", grade=grade)
    measured = rows[0]["evaluable"] if rows else 0
    if measured < ENOUGH:
        return Sheet(grade, TOO_FEW_MEASURED, measured)
    [shared] = source.shared.find("expected_course", grade=grade)
    if not words.are_told(shared["better_share"]):
        return Sheet(grade, TOO_FEW_TO_SHOW, measured)
    return Sheet(grade, "", measured)


def _sheets_table(source: Source, sheets: Sequence[Sheet]) -> Table:
    return table(
        "Sheets by the symptom score before the first session",
        ("Grade", "score", "asked before and after", "what it says"),
        [
            (
                Link(words.capital(words.GRADES[GRADING][sheet.grade]), sheet.path),
                _score(source, sheet.grade),
                _asked(source, sheet),
                sheet.why_not or "numbers of this group",
            )
            for sheet in sheets
        ],
        words_in=(0, 1, 3),
    )


def _asked(source: Source, sheet: Sheet) -> str:
    rows = source.shared.find("expected_course", grade=sheet.grade)
    return source.count(rows[0]["evaluable"]) if rows else words.NONE


def _score(source: Source, grade: str) -> str:
    """The grade's band of the symptom score: `33 points or more`."""
    [band] = source.full.find("seeds.severity_bands", grading=GRADING, band=grade)
    low = words.number(band["at_least"])
    if band["below"] is None:
        return f"{low} points or more"
    return f"{low} to below {words.number(band['below'])} points"


def _sections(source: Source, sheet: Sheet) -> list[dict[str, object]]:
    return [
        _how_people_did(source, sheet),
        _after_each_session(source, sheet),
        {"heading": "How many sessions?", "sentences": _how_many_sessions(source, sheet)},
        {"heading": "Did it last?", "sentences": _did_it_last(source, sheet)},
        {"heading": "Less care at home?", "sentences": _home_care(source, sheet)},
        {"heading": "What did people feel?", "sentences": _felt(source, sheet)},
    ]


def _how_people_did(source: Source, sheet: Sheet) -> dict[str, object]:
    [row] = source.shared.find("expected_course", grade=sheet.grade)
    parts = _parts(row, sheet.step)
    days = source.settings.numbers.target_day
    return {
        "heading": "How did 100 people like you do?",
        "picture": icons.array(parts),
        "key": [(icons.mark(part.kind), part.told, part.what) for part in parts],
        "sentences": [
            f"Each mark is one person, about {days} days after the last session.",
            *_of_those_asked_again(source, sheet),
        ],
    }


def _parts(row: Row, step: int) -> list[icons.Part]:
    """The whole in its parts; those whose counts are hidden are one part together."""
    told = [part for part in PARTS if words.are_told(row[part[0]])]
    hidden = [text.split(":")[0] for column, _, text in PARTS if not words.are_told(row[column])]
    shares = [row[column] for column, _, _ in told]
    counts = icons.of_100(shares, step, with_rest=bool(hidden))
    parts = [
        icons.Part(kind, count, _so_many(share, count, step), text)
        for (_, kind, text), share, count in zip(told, shares, counts, strict=False)
    ]
    if hidden:
        parts.append(icons.Part(TOGETHER, counts[-1], str(counts[-1]), " or ".join(hidden)))
    return parts


def _so_many(share: float, count: int, step: int) -> str:
    """A rounded count; one that was rounded away is not told as none."""
    return f"fewer than {step}" if share > 0 and count == 0 else str(count)


def _of_those_asked_again(source: Source, sheet: Sheet) -> list[str]:
    place = totals(rule=RULE, grading=GRADING, grade=sheet.grade, period=TOTAL)
    [row] = source.shared.find("response_by_grade", **place)
    found = []
    if words.are_told(row["response_rate"]) and source.measured_enough(**place):
        better = coarse.in_100(row["response_rate"], sheet.measured)
        found.append(
            f"Of 100 people who were asked again, {words.rounded(better)} were better "
            f"({_between(row['rate_low'], row['rate_high'])})."
        )
    if row["rate_by_noise"] is not None and words.are_told(row["rate_by_noise"]):
        by_chance = coarse.in_100(row["rate_by_noise"], sheet.measured)
        found.append(
            f"If nothing at all had changed, about {words.rounded(by_chance)} of 100 would still "
            "look better by chance."
        )
    if words.are_told(row["other_treatment"]):
        also = coarse.in_100(row["other_treatment"], sheet.measured)
        found.append(f"About {words.rounded(also)} of 100 got some other treatment too.")
    return found


def _between(low: float, high: float) -> str:
    """Limits of a share in words: `likely between about 50 and 65 of 100`."""
    from_about, to_about = _about(low, high)
    if from_about == 0:
        return f"likely no more than about {to_about} of 100"
    return f"likely between about {from_about} and {to_about} of 100"


def _about(low: float, high: float) -> tuple[int, int]:
    """Limits of a share, widened to so many in 100 as people say them."""
    return (
        ABOUT * floor(round(icons.WHOLE * low / ABOUT, 6)),
        ABOUT * ceil(round(icons.WHOLE * high / ABOUT, 6)),
    )


def _after_each_session(source: Source, sheet: Sheet) -> dict[str, object]:
    rows = source.shared.find("expected_at_session", grade=sheet.grade)
    return {
        "heading": "And after each session?",
        "sentences": [
            "The last column also holds people who had stopped by then. Where a number is not "
            "shown, it would point at single people."
        ],
        "table": table(
            "Of 100 people who began",
            ("After session", "better", "likely range", "about the same", "worse", "not asked"),
            [
                (str(row["session_number"]), *_session(row, sheet.step))
                for row in sorted(rows, key=lambda row: int(row["session_number"]))
            ],
        ),
    }


def _session(row: Row, step: int) -> list[str]:
    if not words.are_told(row["better_share"]):
        return [NOT_SHOWN] * 5
    told = {part.kind: part.told for part in _parts(row, step)}
    better, *others = (told.get(kind, NOT_SHOWN) for _, kind, _ in PARTS)
    from_about, to_about = _about(row["better_low"], row["better_high"])
    return [better, f"{from_about} to {to_about}", *others]


def _how_many_sessions(source: Source, sheet: Sheet) -> list[str]:
    [row] = source.shared.find("expected_course", grade=sheet.grade)
    low, high = row["sessions_low"], row["sessions_high"]
    if not words.are_told(low, high):
        return [TOO_FEW_TO_TELL]
    usual = f"{low}" if low == high else f"from {low} to {high}"
    found = [f"At least half of the people had {usual} session{'' if high == 1 else 's'}."]
    if words.are_told(row["stopped_share"]):
        stopped = coarse.in_100(row["stopped_share"], sheet.measured)
        found.append(f"About {words.rounded(stopped)} of 100 stopped before the plan was done.")
    return found


def _did_it_last(source: Source, sheet: Sheet) -> list[str]:
    """What the curve of gains seen to hold comes to; its own counts stay with the clinics."""
    place = {"grading": GRADING, "grade": sheet.grade, "site": TOTAL, "protocol": TOTAL}
    rows = source.full.find("durability", rule=RULE, estimand=DEFAULT, **place)
    steps = coarse.steps(rows, events="lost", curve=HOLDING, start=1, below=source.below)
    reached = [
        max(up_to, key=lambda step: step.month)
        for months in HELD_AT
        if (up_to := [step for step in steps[1:] if step.month <= months])
    ]
    held = [_held(step) for step in dict.fromkeys(reached)]
    if not any(held):
        return ["Too few people were followed to tell you."]
    return [
        *(sentence for sentence in held if sentence),
        "A person who was treated again counts as no longer better here.",
        "Scores move by chance too, so more people may have stayed better than this.",
    ]


def _held(step: coarse.Step) -> str:
    share = coarse.in_100(step.share, step.followed or 0)
    if not words.are_told(share) or step.low is None or step.high is None:
        return ""
    months = f"{step.month} month{'' if step.month == 1 else 's'}"
    return (
        f"Of 100 people who were better, about {words.rounded(share)} were still better after "
        f"{months} ({_between(step.low, step.high)})."
    )


def _home_care(source: Source, sheet: Sheet) -> list[str]:
    [row] = source.shared.find("home_care", **totals(grade=sheet.grade))
    [whole] = source.full.find("home_care", **totals(grade=sheet.grade))
    if whole["measured"] < ENOUGH or not words.are_told(row["halved_share"]):
        return [TOO_FEW_TO_TELL]
    halved = coarse.in_100(row["halved_share"], whole["measured"])
    return [
        f"Of 100 people who told us, {words.rounded(halved)} spent half the time or less on eye "
        "care at home, and felt no worse.",
        f"The true number is {_between(row['share_low'], row['share_high'])}.",
    ]


def _felt(source: Source, sheet: Sheet) -> list[str]:
    common = [_common(source, sheet, event) for event in COMMON]
    rarer = {
        event: row
        for event in RARER
        for row in source.shared.find("felt_in_courses", grade=TOTAL, event=event)
    }
    return [
        *(sentence for sentence in common if sentence),
        *_seldom(source, rarer),
        "Nobody can say that what was not seen will not happen.",
    ]


def _common(source: Source, sheet: Sheet, event: str) -> str:
    """What often comes: of those with the same grade, or of all where that may not be told."""
    return _told_of(source, event, sheet.grade, "people") or _told_of(
        source, event, TOTAL, "people of all grades"
    )


def _told_of(source: Source, event: str, grade: str, people: str) -> str:
    [row] = source.shared.find("felt_in_courses", grade=grade, event=event)
    [whole] = source.full.find("felt_in_courses", grade=grade, event=event)
    if whole["asked"] < ENOUGH:
        return ""
    if words.are_told(row["felt"]):
        limits = _between(whole["share_low"], whole["share_high"])
        return f"Of 100 {people}, {_felt_share(row, whole)} {COMMON[event]} ({limits})."
    if row["felt"] is Mark.SMALL and words.are_told(row["asked"]):
        return (
            f"Fewer than {source.below} of {source.count(row['asked'])} {people} {COMMON[event]}."
        )
    return ""


def _felt_share(row: Row, whole: Row) -> str:
    """So many in 100; where it is hidden how many were asked, so many that it does not tell."""
    if words.are_told(row["felt_share"]):
        return words.rounded(coarse.in_100(row["felt_share"], whole["asked"]))
    about = ABOUT * floor(icons.WHOLE * whole["felt_share"] / ABOUT + 0.5)
    return f"about {about}" if about else f"fewer than {ABOUT}"


def _seldom(source: Source, rows: dict[str, Row]) -> list[str]:
    """What seldom comes, of all grades: those counted, those too few to count, those not seen."""
    if not rows:
        return [TOO_FEW_TO_TELL]
    who, of_all = _of_all_asked(source, next(iter(rows.values())))
    if not of_all:
        return [TOO_FEW_TO_TELL]
    told = [
        *who,
        *(
            f"{source.count(row['felt'])} {of_all} had {RARER[event]}."
            for event, row in rows.items()
            if words.are_told(row["felt"]) and row["felt"]
        ),
    ]
    few = [RARER[event] for event, row in rows.items() if row["felt"] is Mark.SMALL]
    if few:
        told.append(f"Some {of_all} had {_or(few)}: each fewer than {source.below}.")
    others = [RARER[event] for event, row in rows.items() if row["felt"] is Mark.COMPANION]
    if others:
        told.append(f"Some {of_all} had {_or(others)}.")
    none = {RARER[event]: row for event, row in rows.items() if row["felt"] == 0}
    if none:  # asked of the same people, so of one upper limit
        still_possible = _still_possible(source, next(iter(none.values())))
        told.append(f"None {of_all} had {_or([*none])}. {still_possible}")
    return told


def _of_all_asked(source: Source, row: Row) -> tuple[list[str], str]:
    """A sentence on who was asked, if there must be one, and how the others name these people.

    Where all but a few were asked, their number would tell the few: then it is that of all.
    """
    if words.are_told(row["asked"]):
        return [], f"of {source.count(row['asked'])} people of all grades" if row["asked"] else ""
    [whole] = source.full.find("felt_in_courses", grade=TOTAL, event=row["event"])
    if not words.are_told(row["courses"]) or whole["asked"] < NEARLY_ALL * whole["courses"]:
        return [], ""
    everyone = f"{source.count(row['courses'])} people of all grades"
    return [f"Nearly all of {everyone} were asked."], "of them"


def _still_possible(source: Source, row: Row) -> str:
    """What is not excluded where none was seen; widened where it is hidden how many were asked."""
    [whole] = source.full.find("felt_in_courses", grade=TOTAL, event=row["event"])
    _, up_to = _about(0, whole["share_high"])
    if words.are_told(row["share_high"]):
        up_to = ceil(icons.WHOLE * row["share_high"])
    return f"Up to {up_to} of 100 could still get it."


def _or(what: list[str]) -> str:
    return words.listing(what).replace(" and ", " or ")
