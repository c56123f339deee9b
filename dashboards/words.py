"""Codes, counts, shares and dates in the words of the trade: what pages say, said once."""

import calendar
from collections.abc import Mapping
from datetime import date
from typing import Any, TypeAlias

from dashboards.hidden_counts import Mark

Number: TypeAlias = int | float | Mark | None

NONE = "\u2013"  # nothing to show
HIDDEN = "hidden"

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
        "mild": "mild",
        "moderate": "moderate",
        "severe": "severe",
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
EVENTS = {
    "all": "any harm",
    "redness": "redness",
    "discomfort": "discomfort",
    "swelling": "swelling",
    "blister": "blister",
    "burn": "burn",
    "corneal": "harm to the cornea",
    "other": "other harm",
    "unknown": "harm of a kind that could not be read",
}
SEVERITIES = {
    "mild": "mild",
    "moderate": "moderate",
    "severe": "severe",
    "unknown": "severity not recorded",
}
HARM_SOURCES = {"session": "noted at the session", "report": "reported later"}
HARM_FATES = {
    "refused": "stands in a row that was refused",
    "lowered": "was lowered by a later batch",
    "withdrawn": "was withdrawn by a later batch",
}
EYES = {"right": "right eye", "left": "left eye", "both": "both eyes"}
KINDS = {
    "visits": "visits",
    "sessions": "sessions",
    "outcomes": "outcomes",
    "patients": "patients",
    "plans": "plans",
    "treatments": "other treatments",
    "adverse_events": "adverse events",
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
# A reason of ingest's contract: what it means, and what to do at the source.
REASONS: Mapping[str, tuple[str, str]] = {
    "missing": (
        "a value that is needed is empty",
        "Fill it in at the clinic and export the row again.",
    ),
    "unreadable": (
        "the value cannot be read as a number, date or code",
        "Correct the value, or export it in the contract's format.",
    ),
    "out_of_range": (
        "the value lies outside the possible range",
        "Look for a slip of the pen or another unit; correct it and export the row again.",
    ),
    "unknown_code": (
        "the code is not in the contract",
        "Use a code of the contract.",
    ),
    "after_batch": (
        "the date lies after the last day the batch covers",
        "Correct the date, or put the row into the later batch it belongs to.",
    ),
    "before_2000": ("the date lies before the year 2000", "Correct the date."),
    "needs_single_eye": (
        "a measure of one eye says 'both' or nothing",
        "Export one row for the right eye and one for the left.",
    ),
    "needs_both_eyes": (
        "a measure of the patient names a single eye",
        "Export one row with eye = both.",
    ),
    "unknown_protocol": (
        "the protocol is not in group.toml",
        "Correct the code, or add the protocol to group.toml.",
    ),
    "repeated_key": (
        "the same key stands in several rows that differ",
        "Give each row its own key, or export only the row that is right.",
    ),
    "eyes_disagree": (
        "the two eyes of a session differ in what they must share",
        "Make patient, date, purpose, protocol, chair time and screening equal on both rows.",
    ),
    "above_range": (
        "a temperature above its range; kept as it is",
        "Check the device and the entry. If it is true, look at the patient's record.",
    ),
    "averaged": (
        "a log has several samples at one time; their mean is used",
        "Nothing, unless there are many: then look at how the log is exported.",
    ),
    "unknown_column": (
        "the column is not in the contract and is not read",
        "Nothing if it is not needed; else name the column as the contract does.",
    ),
}
WHOLE_ROW = "whole_row"
GATES = {"arrival": "What came in", "built": "What was worked out"}


def reason(code: str) -> str:
    return REASONS[code][0] if code in REASONS else code.replace("_", " ")


def remedy(code: str) -> str:
    return REASONS[code][1] if code in REASONS else "Ask whoever keeps this tool."


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
    """A count with its noun: `1 course`, `12 courses`, `no course`."""
    if value == 0:
        return f"no {one}"
    return f"{count(value, below)} {one if value == 1 else several or one + 's'}"


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
    return f"{value.day}\u00a0{calendar.month_abbr[value.month]}\u00a0{value.year}"


def month(code: str) -> str:
    """`2026-04` as `April 2026`."""
    year, number = code.split("-")
    return f"{calendar.month_name[int(number)]} {year}"


def short_month(code: str) -> str:
    """`2026-04` as `Apr 2026`."""
    year, number = code.split("-")
    return f"{calendar.month_abbr[int(number)]} {year}"


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
