"""When patients are seen, what is true of them then, and what is measured."""

from collections.abc import Iterator
from dataclasses import dataclass, fields
from enum import IntEnum

import numpy as np
import polars as pl

from ingest.contract import EYES, MEASURES, MEASURES_BY_NAME, SINGLE_EYES
from synthetic_data.courses import Courses
from synthetic_data.months import FOREVER, on_weekdays
from synthetic_data.parameters import Parameters, SignModel
from synthetic_data.population import Patients, measured_osdi
from synthetic_data.randomness import Booleans, Floats, Integers, happens

NO_COURSE = -1
BOTH_EYES = EYES[-1]  # of a measure of the patient
TIMINGS = pl.Series(["before_treatment", "after_treatment", "no_treatment", None])
BEFORE, AFTER, NONE, UNKNOWN = range(4)


class Why(IntEnum):
    """Why a patient is seen, or measured on a day of treatment."""

    ASSESSMENT = 0
    PRETREATMENT = 1  # again, on the day of the first session
    BETWEEN = 2  # before a later session of the course
    AFTER = 3  # after the treatment of the day
    EARLY = 4
    FINAL = 5
    LATE = 6
    MAINTENANCE = 7  # before a maintenance session


@dataclass(frozen=True)
class Occasions:
    """Times at which a patient is measured; one entry per occasion in every array.

    `course` is a position among the courses or NO_COURSE, `done` the sessions given before,
    `period` the column of `Courses.lost` that applies. `osdi` is the true value then.
    """

    patient: Integers
    course: Integers
    day: Integers
    done: Integers
    period: Integers
    why: Integers
    osdi: Floats
    responds: Booleans

    @property
    def count(self) -> int:
        return len(self.day)

    def only(self, kept: Booleans) -> "Occasions":
        """The occasions where `kept` is true."""
        return Occasions(
            **{column.name: getattr(self, column.name)[kept] for column in fields(self)}
        )


def draw_occasions(
    rng: np.random.Generator, patients: Patients, courses: Courses, parameters: Parameters
) -> Occasions:
    """Every time a patient is measured; who is seen depends on how the treatment went."""
    assessments = _assessments(patients)
    parts = [
        _pretreatment(rng, patients, courses, parameters),
        *_between(rng, courses, parameters),
        *_reviews(rng, courses, parameters),
        *_before_maintenance(rng, courses, parameters),
    ]
    day, course, done, period, why = (np.concatenate(column) for column in zip(*parts, strict=True))
    patient = courses.patient[course]
    seen = (day < patients.leaves[patient]) & (day < courses.next_course[course])
    responds, osdi = _truth(patients, courses, course, day, done, period, parameters)
    treated = Occasions(patient, course, day, done, period, why, osdi, responds).only(seen)
    return Occasions(
        **{
            column.name: np.concatenate(
                [getattr(assessments, column.name), getattr(treated, column.name)]
            )
            for column in fields(treated)
        }
    )


Part = tuple[Integers, Integers, Integers, Integers, Integers]


def _part(course: Integers, day: Integers, done: Integers | int, period: int, why: Why) -> Part:
    size = len(course)
    return (
        day,
        course,
        np.broadcast_to(np.asarray(done, dtype=np.int64), size),
        np.full(size, period),
        np.full(size, int(why)),
    )


def _assessments(patients: Patients) -> Occasions:
    none = np.zeros(patients.count, dtype=np.int64)
    return Occasions(
        patient=np.arange(patients.count),
        course=none + NO_COURSE,
        day=patients.assessed,
        done=none,
        period=none,
        why=none + int(Why.ASSESSMENT),
        osdi=patients.osdi,
        responds=np.zeros(patients.count, dtype=np.bool_),
    )


def _pretreatment(
    rng: np.random.Generator, patients: Patients, courses: Courses, parameters: Parameters
) -> Part:
    wait = courses.first_day - patients.assessed[courses.patient]
    long_wait = wait > parameters.remeasured_after_days
    chance = np.where(long_wait, parameters.maintenance_measured, parameters.remeasured)
    at = np.flatnonzero(happens(rng, chance, courses.count))
    return _part(at, courses.first_day[at], 0, 0, Why.PRETREATMENT)


def _between(rng: np.random.Generator, courses: Courses, parameters: Parameters) -> list[Part]:
    """Before each session but the first, and now and then after the treatment of the day."""
    parts = []
    for session in range(1, courses.days.shape[1]):
        given = courses.days[:, session] < FOREVER
        before = np.flatnonzero(given & happens(rng, parameters.between_noted, courses.count))
        after = np.flatnonzero(given & happens(rng, parameters.after_noted, courses.count))
        day = courses.days[:, session]
        parts.append(_part(before, day[before], session, 0, Why.BETWEEN))
        parts.append(_part(after, day[after], session + 1, 0, Why.AFTER))
    return parts


def _reviews(rng: np.random.Generator, courses: Courses, parameters: Parameters) -> list[Part]:
    count = courses.count
    given = courses.sessions
    last = courses.last_day
    responding = courses.symptoms_respond_at <= given
    early_at = np.flatnonzero(happens(rng, parameters.early_review, count))
    early_day = on_weekdays(last + rng.integers(15, 36, count))

    mean, spread = parameters.final_review_day
    final_day = on_weekdays(
        last + np.clip(mean + spread * rng.standard_normal(count), 37, 116).astype(np.int64)
    )
    still = responding & (courses.lost[:, 0] > final_day)
    chance = np.where(still, parameters.final_seen_responding, parameters.final_seen_unresponsive)
    chance = np.where(courses.completed, chance, chance * parameters.final_seen_stopped)
    final_at = np.flatnonzero(happens(rng, chance, count))
    parts = [
        _part(early_at, early_day[early_at], given[early_at], 0, Why.EARLY),
        _part(final_at, final_day[final_at], given[final_at], 0, Why.FINAL),
    ]
    for days_after, late_chance in parameters.late_reviews:
        day = on_weekdays(last + days_after + rng.integers(-20, 21, count))
        before_any = day < courses.maintenance[:, 0]
        at = np.flatnonzero(before_any & happens(rng, late_chance, count))
        parts.append(_part(at, day[at], given[at], 0, Why.LATE))
    return parts


def _before_maintenance(
    rng: np.random.Generator, courses: Courses, parameters: Parameters
) -> list[Part]:
    parts = []
    for turn in range(courses.maintenance.shape[1]):
        day = courses.maintenance[:, turn]
        at = np.flatnonzero(
            (day < FOREVER) & happens(rng, parameters.maintenance_measured, courses.count)
        )
        parts.append(_part(at, day[at], courses.sessions[at], turn, Why.MAINTENANCE))
    return parts


def _truth(
    patients: Patients,
    courses: Courses,
    course: Integers,
    day: Integers,
    done: Integers,
    period: Integers,
    parameters: Parameters,
) -> tuple[Booleans, Floats]:
    """Whether symptoms respond then, and the true OSDI."""
    responds = (courses.symptoms_respond_at[course] <= done) & (day < courses.lost[course, period])
    share_gone = np.where(
        responds, courses.fall[course], np.where(done > 0, courses.drift[course], 0.0)
    )
    patient = courses.patient[course]
    helped = np.minimum(courses.other_treatment[course], patients.other_treatment[patient]) < day
    left = (1 - share_gone) * np.where(helped, 1 - parameters.other_treatment_relief, 1.0)
    return responds, np.clip(patients.osdi[patient] * left, 0, 100)


@dataclass(frozen=True)
class Values:
    """Measured values, one entry per row of the outcomes in every array.

    `measure` is a position in the contract's MEASURES, `eye` one in its EYES.
    """

    occasion: Integers
    measure: Integers
    eye: Integers
    value: Floats


def measure_all(
    rng: np.random.Generator,
    patients: Patients,
    courses: Courses,
    occasions: Occasions,
    parameters: Parameters,
) -> Values:
    """Measure what is noted at each occasion, with noise, within the measure's range."""
    parts = [
        *_scores(rng, patients, occasions, parameters),
        *_signs(rng, patients, courses, occasions, parameters),
    ]
    return Values(
        occasion=np.concatenate([at for at, _, _, _ in parts]),
        measure=np.concatenate([np.full(len(at), NAMES.index(name)) for at, name, _, _ in parts]),
        eye=np.concatenate([np.full(len(at), EYES.index(eye)) for at, _, eye, _ in parts]),
        value=np.concatenate([_within(name, value) for _, name, _, value in parts]),
    )


NAMES = [measure.name for measure in MEASURES]
Measured = tuple[Integers, str, str, Floats]  # occasions, measure, eye, values


def _within(measure: str, value: Floats) -> Floats:
    limits = MEASURES_BY_NAME[measure]
    return np.clip(value, limits.low, limits.high)


def _scores(
    rng: np.random.Generator, patients: Patients, occasions: Occasions, parameters: Parameters
) -> Iterator[Measured]:
    """Questionnaires: the symptom score, and two that follow its true value."""
    asked = occasions.why != Why.AFTER
    osdi = measured_osdi(rng, occasions.osdi, parameters)
    first = occasions.why == Why.ASSESSMENT
    osdi[first] = patients.first_osdi[occasions.patient[first]]
    at = np.flatnonzero(asked & happens(rng, parameters.osdi_noted, occasions.count))
    yield at, "osdi", BOTH_EYES, osdi[at]
    for measure, noted, (level, slope, spread) in (
        ("speed", parameters.speed_noted, parameters.speed_at),
        ("deq5", parameters.deq5_noted, parameters.deq5_at),
    ):
        at = np.flatnonzero(asked & happens(rng, noted, occasions.count))
        score = level + slope * occasions.osdi[at] + spread * rng.standard_normal(len(at))
        yield at, measure, BOTH_EYES, np.round(score)


def _signs(
    rng: np.random.Generator,
    patients: Patients,
    courses: Courses,
    occasions: Occasions,
    parameters: Parameters,
) -> Iterator[Measured]:
    """Signs of each eye, on their own steps; both eyes are looked at or neither."""
    for sign in parameters.signs:
        chance = np.where(occasions.done == 0, sign.noted_first, sign.noted)
        at = np.flatnonzero(happens(rng, chance, occasions.count))
        for position, eye in enumerate(SINGLE_EYES):
            true = _true_sign(patients, courses, occasions, at, position, sign)
            noisy = true + sign.noise * rng.standard_normal(len(at))
            yield at, sign.measure, eye, np.round(np.round(noisy / sign.step) * sign.step, 1)


def _true_sign(
    patients: Patients,
    courses: Courses,
    occasions: Occasions,
    at: Integers,
    eye: int,
    sign: SignModel,
) -> Floats:
    """The true value of an eye's sign at the occasions `at`."""
    true: Floats = patients.signs[sign.measure][occasions.patient[at], eye]
    inside = np.flatnonzero(occasions.course[at] != NO_COURSE)
    within = at[inside]
    course = occasions.course[within]
    treated = courses.treats[course, eye] & (occasions.done[within] > 0)
    responds = (courses.signs_respond_at[course, eye] <= occasions.done[within]) & (
        occasions.day[within] < courses.lost[course, occasions.period[within]]
    )
    gain = sign.gain + sign.gain_spread * courses.vigour[course]
    after = 1 + sign.after_treatment * (occasions.why[within] == Why.AFTER)
    true[inside] += treated * after * np.where(responds, gain, sign.drift)
    return true


def outcome_rows(
    rng: np.random.Generator, occasions: Occasions, values: Values, parameters: Parameters
) -> pl.DataFrame:
    """Rows of the outcomes in the contract's long form, with `patient` and `known` day."""
    why = occasions.why
    on_treatment_day = (why == Why.PRETREATMENT) | (why == Why.BETWEEN) | (why == Why.MAINTENANCE)
    timing = np.where(on_treatment_day, BEFORE, np.where(why == Why.AFTER, AFTER, NONE))
    noted = (timing == AFTER) | happens(rng, parameters.timing_noted, occasions.count)
    timing = np.where(noted, timing, UNKNOWN)
    day = occasions.day[values.occasion]
    return pl.DataFrame(
        {
            "patient": occasions.patient[values.occasion],
            "known": day,
            "assessed_date": day,
            "eye": pl.Series(EYES).gather(values.eye),
            "measure": pl.Series(NAMES).gather(values.measure),
            "value": values.value,
            "timing": TIMINGS.gather(timing[values.occasion]),
        }
    )
