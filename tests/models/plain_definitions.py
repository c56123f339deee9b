"""Definitions 1 to 7, 9 and 16 in plain Python, patient by patient: slow, and no SQL in it.

Written from the definitions alone with their default numbers, so that the models can be held
against something that shares nothing with them.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from itertools import zip_longest
from typing import Any

Row = Mapping[str, Any]
GAP, BASELINE, SETTLE, TARGET, FOLLOWUP = 120, 90, 14, 60, 120
WINDOW = (180, 365)
LOWER_IS_BETTER = {"osdi": True, "break_up_time": False, "gland_secretion": False}
RULES = {"symptoms": "osdi", "tear_film": "break_up_time", "glands": "gland_secretion"}
SEVERITIES = ("mild", "moderate", "severe")


@dataclass
class Patient:
    """One patient's exported rows up to the cutoff, by kind."""

    cutoff: date
    protocols: Mapping[str, int]  # sessions planned by code, in group.toml's order
    rows: dict[str, list[Row]] = field(default_factory=lambda: defaultdict(list))

    @property
    def treated_before(self) -> bool:
        return any(row["treated_before"] for row in self.rows["patients"])

    def dates(self, purpose: str) -> list[date]:
        """Course dates, or the maintenance dates that are no course dates."""
        course = {row["session_date"] for row in self.rows["sessions"] if is_course(row)}
        every = {row["session_date"] for row in self.rows["sessions"]}
        return sorted(course if purpose == "course" else every - course)

    def eyes_on(self, day: date) -> set[str]:
        """Eyes that had a session of the course on a day."""
        rows = self.rows["sessions"]
        return {row["eye"] for row in rows if row["session_date"] == day and is_course(row)}


@dataclass
class Course:
    patient: Patient
    number: int
    dates: list[date]
    next_maintenance: date | None = None
    next_course: date | None = None

    @property
    def first(self) -> date:
        return self.dates[0]

    @property
    def last(self) -> date:
        return self.dates[-1]

    @property
    def protocol(self) -> str:
        rows = self.patient.rows["sessions"]
        given = {
            row["protocol"] for row in rows if row["session_date"] == self.first and is_course(row)
        }
        return next(code for code in self.patient.protocols if code in given)

    @property
    def plan(self) -> Row | None:
        plans = [
            plan
            for plan in self.patient.rows["plans"]
            if plan["decision"] == "accepted"
            and self.first - timedelta(GAP) <= plan["decided_on"] <= self.last
        ]
        return max(plans, key=lambda plan: plan["decided_on"], default=None)

    @property
    def planned(self) -> int:
        number = self.plan["sessions_planned"] if self.plan else None
        return number or self.patient.protocols[self.protocol]

    @property
    def state(self) -> str:
        if len(self.dates) >= self.planned:
            return "completed"
        closed = self.next_maintenance or self.next_course
        young = (self.patient.cutoff - self.last).days <= GAP
        return "in_progress" if young and not closed else "stopped"

    @property
    def end_reason(self) -> str | None:
        if self.state != "stopped":
            return None
        return (self.plan["end_reason"] if self.plan else None) or "unknown"

    @property
    def is_mature(self) -> bool:
        return self.state != "in_progress" and (self.patient.cutoff - self.last).days > GAP

    @property
    def kind(self) -> str:
        return "first" if self.number == 1 and not self.patient.treated_before else "repeat"

    @property
    def symptoms_band(self) -> str:
        baseline = self.baseline("osdi", "both")
        if baseline is None:
            return "unknown"
        edges = ((13, "normal"), (23, "mild"), (33, "moderate"), (101, "severe"))
        return next(band for edge, band in edges if baseline < edge)

    @property
    def clinician_grade(self) -> str:
        graded = [
            (visit["visit_date"], SEVERITIES.index(visit["severity_grade"]))
            for visit in self.patient.rows["visits"]
            if visit["severity_grade"]
            and self.first - timedelta(BASELINE) <= visit["visit_date"] <= self.first
        ]
        return SEVERITIES[max(graded)[1]] if graded else "unknown"

    @property
    def eyes(self) -> list[str]:
        return sorted(set().union(*map(self.patient.eyes_on, self.dates)))

    def own_dates(self, eye: str) -> list[date]:
        return [day for day in self.dates if eye == "both" or eye in self.patient.eyes_on(day)]

    def values(self, measure: str, eye: str, start: date, end: date) -> dict[date, Decimal]:
        """Means of the days from start to end, both included."""
        days: dict[date, list[Decimal]] = defaultdict(list)
        for row in self.patient.rows["outcomes"]:
            same = row["measure"] == measure and row["eye"] == eye
            if same and row["timing"] != "after_treatment" and start <= row["assessed_date"] <= end:
                days[row["assessed_date"]].append(row["value"])
        return {day: sum(some, Decimal(0)) / len(some) for day, some in days.items()}

    def baseline(self, measure: str, eye: str) -> Decimal | None:
        values = self.values(measure, eye, self.first - timedelta(BASELINE), self.first)
        return values[max(values)] if values else None

    def final(self, measure: str, eye: str) -> tuple[date, Decimal] | None:
        start, end = self.last + timedelta(SETTLE), self.last + timedelta(FOLLOWUP)
        values = self.values(measure, eye, start, min(end, self.next_maintenance or end))
        target = self.last + timedelta(TARGET)
        nearest = sorted(values, key=lambda day: (abs((day - target).days), -day.toordinal()))
        return (nearest[0], values[nearest[0]]) if nearest else None

    def after_session(self, measure: str, eye: str, number: int) -> Decimal | None:
        dates = self.own_dates(eye)
        if number == len(dates):
            final = self.final(measure, eye)
            return final[1] if final else None
        start, end = dates[number - 1] + timedelta(1), dates[number]
        values = self.values(measure, eye, start, end)
        return values[max(values)] if values else None

    def threshold(self, rule: str, baseline: Decimal | None) -> Decimal | None:
        """The number the rule asks for; None where it does not apply or nothing is known."""
        if baseline is None:
            return None
        if rule == "symptoms":
            if baseline < 13:
                return None
            return Decimal("7.3") if baseline < 33 else Decimal("13.4")
        if rule == "tear_film":
            return Decimal(2) if baseline < 10 else None
        return Decimal(5) if baseline <= 40 else None

    def outcome(self, rule: str, eye: str) -> str:
        measure = RULES[rule]
        before, after = self.baseline(measure, eye), self.final(measure, eye)
        threshold = self.threshold(rule, before)
        if before is not None and threshold is None:
            return "not_applicable"
        if before is None or threshold is None or after is None:
            return "not_measured"
        gain = improvement(measure, before, after[1])
        return (
            "responder" if gain >= threshold else "worsened" if gain <= -threshold else "unchanged"
        )

    def other_treatment(self, rule: str, eye: str) -> bool:
        final = self.final(RULES[rule], eye)
        end = final[0] if final else self.last + timedelta(FOLLOWUP)
        return any(
            self.first <= row["started_on"] <= end
            and (eye == "both" or row["eye"] in (eye, "both", None))
            for row in self.patient.rows["treatments"]
        )


def is_course(row: Row) -> bool:
    return bool(row["purpose"] == "course")


def improvement(measure: str, before: Decimal, after: Decimal) -> Decimal:
    gain = before - after if LOWER_IS_BETTER[measure] else after - before
    return round(gain, 6)


def courses_of(patient: Patient) -> list[Course]:
    maintenance = patient.dates("maintenance")
    courses: list[Course] = []
    for day in patient.dates("course"):
        if courses and goes_on(courses[-1].last, day, maintenance):
            courses[-1].dates.append(day)
        else:
            courses.append(Course(patient, len(courses) + 1, [day]))
    for course, following in zip_longest(courses, courses[1:]):
        course.next_course = following.first if following else None
        course.next_maintenance = min(between(maintenance, course), default=None)
    return courses


def goes_on(last: date, day: date, maintenance: Iterable[date]) -> bool:
    return (day - last).days <= GAP and not any(last < upkeep < day for upkeep in maintenance)


def between(maintenance: Iterable[date], course: Course) -> list[date]:
    """Maintenance dates after a course and before the next."""
    end = course.next_course or date.max
    return [day for day in maintenance if course.last < day < end]


def intervals_of(course: Course) -> Iterator[tuple[date, date | None, str, str | None]]:
    """Start, end, status and judged status of a course's maintenance intervals."""
    if course.state != "completed":
        return
    starts = [course.last, *between(course.patient.dates("maintenance"), course)]
    low, high = WINDOW
    for start, following in zip_longest(starts, starts[1:]):
        end = following or course.next_course
        days = ((end or course.patient.cutoff) - start).days
        place = 0 if days < low else 1 if days <= high else 2
        if following:
            status = ("early", "on_time", "late")[place]
        elif end:
            status = "new_course"
        else:
            status = ("not_due", "due", "overdue")[place]
        old_enough = (course.patient.cutoff - start).days > high
        counted = {"early": "early", "on_time": "on_time", "late": "late", "overdue": "overdue"}
        if status == "new_course" and place == 2:
            counted["new_course"] = "late"
        yield start, end, status, counted.get(status) if old_enough else None
