"""Codes, counts, shares and dates in the words of the trade: what pages say, said once."""

import calendar
from collections.abc import Mapping
from datetime import date
from typing import Any, TypeAlias

from dashboards.hidden_counts import Mark
from ingest import contract

Number: TypeAlias = int | float | Mark | None

NONE = "\u2013"  # nothing to show
HIDDEN = "hidden"
TOO_FEW = "Too few to show without giving small counts away."

RULES = {
    "symptoms": "Symptoms",
    "tear_film": "Tear film",
    "glands": "Gland secretion",
}
MEASURES = {
    "osdi": "OSDI symptom score",
    "break_up_time": "tear film break-up time",
    "gland_secretion": "gland secretion score",
    "meibum_quality": "meibum quality score",
}
UNITS = {"course": "course", "eye": "eye"}
GRADINGS = {
    "symptoms": "symptom score before the first session",
    "clinician": "the clinician's own grade",
    "glands": "meibum quality before the first session",
}
GRADES = {
    "symptoms": {
        "normal": "normal",
        "mild": "mild",
        "moderate": "moderate",
        "severe": "severe",
        "unknown": "no score before",
        "all": "all grades",
    },
    "clinician": {
        **dict(zip(contract.SEVERITIES, contract.SEVERITIES, strict=True)),
        "unknown": "not graded",
        "all": "all grades",
    },
    "glands": {
        "none": "no stage",
        "stage1": "stage 1",
        "stage2": "stage 2",
        "stage3": "stage 3",
        "stage4": "stage 4",
        "unknown": "not graded",
        "all": "all stages",
    },
}
COURSE_KINDS = {"first": "first courses", "all": "all courses"}
PERIODS = {"all": "whole time", "last_12_months": "last twelve months"}
ESTIMANDS = {
    "lost_or_retreated": "lost, or treated again",
    "until_retreatment": "lost before any retreatment",
    "whatever_followed": "lost, whatever maintenance followed",
}
EVENTS = {
    "all": "any harm",
    **dict(zip(contract.HARMS, contract.HARMS, strict=True)),
    "corneal": "harm to the cornea",
    "other": "other harm",
    "unknown": "harm of a kind that could not be read",
}
SEVERITIES = {
    **dict(zip(contract.SEVERITIES, contract.SEVERITIES, strict=True)),
    "unknown": "not recorded",
}
HARM_SOURCES = {"session": "noted at the session", "report": "reported later"}
HARM_FATES = {
    "refused": "stands in a row that was refused",
    "lowered": "was lowered by a later batch",
    "withdrawn": "was withdrawn, by a later batch or with its own",
}
FILE_COUNTS = {  # what became of a file's rows
    "rows_read": "rows read",
    "accepted": "accepted",
    "refused": "refused",
    "exact_repeats": "exact repeats",
    "forgotten": "forgotten",
}
EYES = {"right": "right eye", "left": "left eye", "both": "both eyes"}
KINDS = {
    **{kind.name: kind.name.replace("_", " ") for kind in contract.KINDS},
    "treatments": "other treatments",
    "temperatures": "temperature logs",
}
DELIVERY = {
    "in_band": "plateau temperature in the protocol's band",
    "in_minutes": "heating time as planned",
    "spacing_kept": "days between sessions as planned",
    "over_temperature": "hottest moment above the ceiling",
}
DELIVERY_MARKS = {
    "expressed": "glands expressed",
    "screened": "screened for contraindications",
    "consent_recorded": "consent on record",
    "stopped_early": "heating stopped early",
}

MONTH_FIGURES = {  # of quality.month_figures
    "sessions": "sessions",
    "treated_patients": "patients treated",
    "chair_minutes": "minutes in the chair",
    "new_courses": "courses begun",
    "completed": "courses completed",
    "stopped": "courses broken off",
    "matured": "courses whose follow-up ended",
    "due": "due for maintenance",
    "overdue": "overdue",
    "harms": "harms",
    "sessions_asked": "sessions asked about harm",
    "refused_rows": "rows refused",
    **{
        f"{rule}_{count}": f"{name}: {told}"
        for rule, name in RULES.items()
        for count, told in {
            "evaluable": "measured",
            "responders": "better",
            "unchanged": "unchanged",
            "worsened": "worse",
        }.items()
    },
}
PATIENT_STATUSES = {  # at the clinic
    "active": "active",
    "unknown": "not on record",
    "discharged": "discharged",
    "moved": "moved away",
    "deceased": "died",
    "declined_recall": "declined to be called back",
}
STEPS = {  # on the way to the end of a course
    "assessed": "assessed",
    "recommended": "a course recommended",
    "accepted": "accepted",
    "started": "started",
    "completed": "completed",
}
NOT_STARTED = {  # where those stand who have not started
    "recommended": "recommended, no answer on record",
    "accepted": "accepted, not begun",
    "declined": "declined",
    "deferred": "put off",
    "not_suitable": "not suitable",
    "home_care_first": "home care first",
    "undecided": "no decision on record",
}
END_REASONS = {  # why those stopped who did
    "completed": "plan ended with fewer sessions",
    "improved_enough": "improved enough",
    "no_benefit": "no benefit",
    "adverse_event": "harm",
    "cost": "cost",
    "discomfort": "discomfort",
    "moved": "moved",
    "lost_contact": "contact lost",
    "died": "died",
    "other": "another reason",
    "unknown": "no reason on record",
}
WAITS = {
    "recommended_to_accepted": "from recommended to accepted",
    "accepted_to_first_session": "from accepted to the first session",
    "assessed_to_first_session": "from assessed to the first session",
}
QUARTERS = {1: "shortest quarter", 2: "second quarter", 3: "third quarter", 4: "longest quarter"}


def reason(code: str) -> str:
    """What a reason of the contract means, as the contract says it."""
    meaning, _ = contract.MEANINGS[contract.Reason(code)]
    return _sentence_of(meaning)


def remedy(code: str) -> str:
    """What to do about a reason at the source, as the contract says it."""
    _, what_to_do = contract.MEANINGS[contract.Reason(code)]
    return _sentence_of(what_to_do)


def _sentence_of(text: str) -> str:
    return sentence(capital(text.replace("`", "'")))


def sentence(text: str) -> str:
    """The text with a full stop, unless it ends with one of its own."""
    return text if text.endswith((".", "?", "!")) else f"{text}."


def count(value: Number, below: int) -> str:
    """A count as shown; below: the limit under which a small count is hidden."""
    if value is None:
        return NONE
    if value is Mark.SMALL:
        return f"<{below}"
    if value is Mark.COMPANION:
        return HIDDEN
    return f"{value:,.0f}".replace(",", "\u202f")


def in_100(share: Number) -> str:
    """A share from 0 to 1 as so many in 100."""
    return per_100(share * 100 if isinstance(share, int | float) else share, digits=0)


def per_100(rate: Number, digits: int = 1) -> str:
    """A rate that is given per 100 already."""
    if rate is None:
        return NONE
    return HIDDEN if isinstance(rate, Mark) else f"{rate:.{digits}f}"


def to_a_tenth(share: Number) -> str:
    """A share from 0 to 1 as so many in 100; what is rounded away is not told as none."""
    told = per_100(round(share * 100, 2) if isinstance(share, int | float) else share)
    return "fewer than 0.1" if told == "0.0" and share else told


def rounded(value: Number) -> str:
    """So many in 100, as `coarse` rounds it."""
    return per_100(value, digits=0)


def rounded_span(low: Number, high: Number) -> str:
    return _span(rounded(low), rounded(high))


def signed(value: Number) -> str:
    """A difference in 100 with its sign: `+3`, `-2` with a true minus, `0`."""
    if not isinstance(value, int | float):
        return rounded(value)
    return f"{value:+.0f}".replace("-", "\u2212") if round(value) else "0"


def signed_span(low: Number, high: Number) -> str:
    return _span(signed(low), signed(high))


def why_not_compared(reason: str) -> str:
    """A reason of the comparison tables in the words of pages."""
    return reason.replace("severity bands", "grades").replace("evaluable", "measured")


def chance(p_value: float | None) -> str:
    """A p-value as read aloud: `0.28`, `0.012`, `below 0.001`."""
    if p_value is None:
        return NONE
    if p_value < 0.001:
        return "below 0.001"
    return f"{p_value:.3f}" if p_value < 0.1 else f"{p_value:.2f}"


def days(value: Number) -> str:
    """Days as shown: a median of an even number may lie between two."""
    if not isinstance(value, int | float):
        return HIDDEN if isinstance(value, Mark) else NONE
    return f"{value:.10g}"


def points(value: Number) -> str:
    return per_100(value)


def in_100_span(low: Number, high: Number) -> str:
    """Two limits of a share: `56 to 66`."""
    return _span(in_100(low), in_100(high))


def per_100_span(low: Number, high: Number) -> str:
    return _span(per_100(low), per_100(high))


def _span(low: str, high: str) -> str:
    return low if low in (NONE, HIDDEN) else f"{low}\u00a0to\u00a0{high}"


def many(value: Number, one: str, below: int, several: str | None = None) -> str:
    """A count with its noun: `1 course`, `12 courses`, `no course`, `fewer than 11 courses`."""
    if value == 0:
        return f"no {one}"
    if value is Mark.SMALL:
        return f"fewer than {below} {several or one + 's'}"
    return f"{count(value, below)} {one if value == 1 else several or one + 's'}"


def none_or(value: Number, below: int) -> str:
    """A count within a sentence that goes on: `none`, `12`, `fewer than 11`."""
    if value == 0:
        return "none"
    return f"fewer than {below}" if value is Mark.SMALL else count(value, below)


def were(value: Number) -> str:
    """The verb to a count, or to `none`."""
    return "was" if value in (0, 1) else "were"


def are_told(*values: Number) -> bool:
    """Whether a sentence can be made of these numbers: of one that is hidden it cannot."""
    return not any(isinstance(value, Mark) for value in values)


def hours(minutes: Number) -> str:
    if not isinstance(minutes, int | float):
        return HIDDEN if isinstance(minutes, Mark) else NONE
    whole, rest = divmod(round(minutes), 60)
    return f"{whole} h {rest} min" if rest else f"{whole} h"


def day(value: date | None) -> str:
    return f"{value.day} {calendar.month_name[value.month]} {value.year}" if value else NONE


def short_day(value: date | None) -> str:
    """As tables show it: `9 Apr 2026`, its parts kept together."""
    if value is None:
        return NONE
    return together(f"{value.day} {calendar.month_abbr[value.month]} {value.year}")


def together(text: str) -> str:
    """The text kept in one line."""
    return text.replace(" ", "\u00a0")


def month(code: str) -> str:
    """`2026-04` as `April 2026`."""
    year, number = code.split("-")
    return f"{calendar.month_name[int(number)]} {year}"


def short_month(code: str) -> str:
    """`2026-04` as `Apr 2026`."""
    year, number = code.split("-")
    return f"{calendar.month_abbr[int(number)]} {year}"


def month_ends_on(code: str) -> date:
    """`2026-04` as its last day."""
    year, number = map(int, code.split("-"))
    return date(year, number, calendar.monthrange(year, number)[1])


def capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def plain(code: str, words: Mapping[str, str]) -> str:
    """A code in words; one without words as it is, underscores aside."""
    return words.get(code, code.replace("_", " "))


def number(value: Any) -> str:
    """A setting as people write it: 120, 0.82, 7.3."""
    return f"{float(value):.10g}"


def listing(parts: list[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    *most, last = parts
    return f"{', '.join(most)} and {last}" if most else last
