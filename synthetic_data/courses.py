"""Courses of treatment: their sessions, who responds and when, who breaks off, who comes back."""

from dataclasses import dataclass, fields, replace

import numpy as np

from synthetic_data.months import FOREVER, on_weekdays
from synthetic_data.parameters import InventedSite, Parameters
from synthetic_data.population import Intake, Patients
from synthetic_data.randomness import (
    Booleans,
    Floats,
    Integers,
    choose,
    happens,
)

MAX_SESSIONS = 7
MAX_MAINTENANCE = 3
COMPLETED = -1
LEFT = -2


@dataclass(frozen=True)
class Courses:
    """One entry per course in every array, whatever of it lies in the covered months.

    `days` has a column per session and `maintenance` one per maintenance date, FOREVER where
    there is none. `symptoms_respond_at` and `signs_respond_at` (a column per eye) are the session
    number at which the response is there, MAX_SESSIONS + 1 for never. `lost` has a column per
    period: after the course, after its first maintenance, and so on; the day a response ends.
    `reason` is COMPLETED, LEFT (moved or died), or a position in the reasons of
    those who respond or not, as `stopped_responding` says.
    """

    patient: Integers
    number: Integers  # 1 for the patient's first course here, 2 for the next
    protocol: Integers  # position among the protocols
    planned: Integers  # sessions
    plan_names_sessions: Booleans
    accepted_on: Integers
    days: Integers
    treats: Booleans  # a column per eye
    symptoms_respond_at: Integers
    signs_respond_at: Integers
    fall: Floats  # share of true OSDI removed by a response
    drift: Floats  # share that goes without one
    vigour: Floats  # standard normal: how far the signs of a responding eye change
    reason: Integers
    stopped_responding: Booleans
    maintenance: Integers
    lost: Integers
    next_course: Integers  # day on which the patient's next course begins
    other_treatment: Integers  # day on which another treatment starts during the course

    @property
    def count(self) -> int:
        return len(self.patient)

    @property
    def sessions(self) -> Integers:
        """Sessions given, per course."""
        given: Integers = (self.days < FOREVER).sum(axis=1)
        return given

    @property
    def first_day(self) -> Integers:
        return self.days[:, 0]

    @property
    def last_day(self) -> Integers:
        return _last_day(self.days)

    @property
    def completed(self) -> Booleans:
        completed: Booleans = self.reason == COMPLETED
        return completed

    def followed_by(self, other: "Courses") -> "Courses":
        """Both, one after the other."""
        return Courses(
            **{
                column.name: np.concatenate(
                    [getattr(self, column.name), getattr(other, column.name)]
                )
                for column in fields(self)
            }
        )

    def only(self, kept: Booleans) -> "Courses":
        """The courses where `kept` is true."""
        return Courses(**{column.name: getattr(self, column.name)[kept] for column in fields(self)})


def draw_courses(
    rng: np.random.Generator,
    patients: Patients,
    intake: Intake,
    site: InventedSite,
    parameters: Parameters,
) -> Courses:
    """First courses of all who accept, then the repeat courses of some."""
    begin = (intake.accepted_on < FOREVER) & ~happens(rng, parameters.no_show, patients.count)
    who = np.flatnonzero(begin)
    wait = 1 + rng.gamma(1.5, parameters.wait_mean / 1.5, len(who)).astype(np.int64)
    first = _draw(rng, patients, who, 1, intake.accepted_on[who], wait, site, parameters)
    first = _with_maintenance(rng, first, patients, site, parameters)

    repeats = happens(rng, parameters.repeat_course, first.count) & (
        first.maintenance[:, 0] == FOREVER
    )
    gap = parameters.repeat_median * np.exp(0.25 * rng.standard_normal(first.count))
    returns = first.last_day + np.maximum(gap, 150).astype(np.int64)
    again = np.flatnonzero(repeats & (returns < patients.leaves[first.patient]))
    second = _draw(
        rng,
        patients,
        first.patient[again],
        2,
        on_weekdays(returns[again] - 10),
        np.full(len(again), 10),
        site,
        parameters,
    )
    second = _with_maintenance(rng, second, patients, site, parameters)
    next_course = np.full(patients.count, FOREVER)
    next_course[second.patient] = second.first_day
    return replace(first, next_course=next_course[first.patient]).followed_by(second)


def response_thresholds(
    by_session: tuple[float, ...],
    severity: Floats,
    protocol: Integers,
    site: InventedSite,
    parameters: Parameters,
) -> Floats:
    """Probit of the chance to have responded by each session: a row per course."""
    protocol_effects = np.array([p.response_effect for p in parameters.protocols])
    level = parameters.severity_slope * severity + protocol_effects[protocol] + site.response_effect
    thresholds: Floats = level[:, None] + np.array(by_session)[None, :]
    return thresholds


def _respond_at(latent: Floats, thresholds: Floats) -> Integers:
    """The first session whose threshold reaches the latent value; MAX_SESSIONS + 1 for none."""
    not_yet: Integers = (latent[..., None] > thresholds).sum(axis=-1)
    return 1 + not_yet


def _draw(
    rng: np.random.Generator,
    patients: Patients,
    who: Integers,
    number: int,
    accepted_on: Integers,
    wait: Integers,
    site: InventedSite,
    parameters: Parameters,
) -> Courses:
    """One course for each of `who`, without maintenance yet; those who left before are dropped."""
    count = len(who)
    protocol = choose(rng, site.protocol_weights, count)
    usual = np.array([p.definition.sessions_planned for p in parameters.protocols])[protocol]
    shift = np.where(
        happens(rng, parameters.plan_differs, count), 2 * rng.integers(0, 2, count) - 1, 0
    )
    planned = usual + shift

    symptoms_at, signs_at = _responses(rng, patients.severity[who], protocol, site, parameters)
    given, reason, responding = _how_far(rng, planned, symptoms_at, parameters)
    days = _session_days(rng, accepted_on + wait, protocol, parameters)
    days = np.where(np.arange(MAX_SESSIONS) < given[:, None], days, FOREVER)
    before_leaving = np.where(days < patients.leaves[who][:, None], days, FOREVER)
    given = (before_leaving < FOREVER).sum(axis=1)
    reason = np.where((before_leaving != days).any(axis=1) & (given < planned), LEFT, reason)
    days = before_leaving
    fall_mean, fall_spread = parameters.osdi_fall
    drift_mean, drift_spread = parameters.osdi_drift
    lasts = _last_day(days) + _lasting(rng, count, parameters)
    return Courses(
        patient=who,
        number=np.full(count, number),
        protocol=protocol,
        planned=planned,
        plan_names_sessions=(shift != 0) | happens(rng, parameters.plan_numbered, count),
        accepted_on=accepted_on,
        days=days,
        treats=_treated_eyes(rng, count, parameters),
        symptoms_respond_at=symptoms_at,
        signs_respond_at=signs_at,
        fall=np.clip(fall_mean + fall_spread * rng.standard_normal(count), 0.1, 0.9),
        drift=drift_mean + drift_spread * rng.standard_normal(count),
        vigour=rng.standard_normal(count),
        reason=reason,
        stopped_responding=responding,
        maintenance=np.full((count, MAX_MAINTENANCE), FOREVER),
        lost=np.repeat(lasts[:, None], 1 + MAX_MAINTENANCE, axis=1),
        next_course=np.full(count, FOREVER),
        other_treatment=np.where(
            happens(rng, parameters.treatments_in_course, count),
            days[:, 0] + rng.integers(1, 90, count),
            FOREVER,
        ),
    ).only(days[:, 0] < FOREVER)


def _responses(
    rng: np.random.Generator,
    severity: Floats,
    protocol: Integers,
    site: InventedSite,
    parameters: Parameters,
) -> tuple[Integers, Integers]:
    """The session from which symptoms respond, and the signs of each eye, per course.

    The latent responses of symptoms and of both eyes are normal and correlated.
    """
    count = len(severity)
    tie, alike = parameters.signs_follow_symptoms, parameters.eyes_respond_alike
    symptoms = rng.standard_normal(count)
    both_eyes = tie * symptoms + np.sqrt(alike - tie**2) * rng.standard_normal(count)
    signs = both_eyes[:, None] + np.sqrt(1 - alike) * rng.standard_normal((count, 2))
    of_symptoms, of_signs = (
        response_thresholds(by_session, severity, protocol, site, parameters)
        for by_session in (parameters.symptoms_by_session, parameters.signs_by_session)
    )
    return _respond_at(symptoms, of_symptoms), _respond_at(signs, of_signs[:, None, :])


def _treated_eyes(rng: np.random.Generator, count: int, parameters: Parameters) -> Booleans:
    """Both eyes of most, one of the rest: a column per eye."""
    both = ~happens(rng, parameters.one_eye, count)
    right = happens(rng, 0.5, count)
    return np.stack([both | right, both | ~right], axis=1)


def _last_day(days: Integers) -> Integers:
    last: Integers = np.where(days < FOREVER, days, 0).max(axis=1)
    return last


def _lasting(rng: np.random.Generator, count: int, parameters: Parameters) -> Integers:
    """Days that a response lasts."""
    return (parameters.lasts_scale * rng.weibull(parameters.lasts_shape, count)).astype(np.int64)


def _session_days(
    rng: np.random.Generator, start: Integers, protocol: Integers, parameters: Parameters
) -> Integers:
    """Days of as many sessions as there can be, most gaps within the protocol's spacing."""
    spacing = np.array([p.definition.spacing_days for p in parameters.protocols])[protocol]
    low, high = spacing[:, :1], spacing[:, 1:]
    shape = (len(start), MAX_SESSIONS - 1)
    inside = low + (high - low) * rng.beta(2, 3, shape)
    delayed = high + 2 + rng.gamma(1.5, 8.0, shape)
    kept = rng.random(shape) < parameters.spacing_kept
    gaps = np.where(kept, inside, np.minimum(delayed, 110)).astype(np.int64)
    after = np.concatenate([np.zeros((len(start), 1), np.int64), np.cumsum(gaps, axis=1)], axis=1)
    return on_weekdays(start[:, None] + after)


def _how_far(
    rng: np.random.Generator, planned: Integers, symptoms_at: Integers, parameters: Parameters
) -> tuple[Integers, Integers, Booleans]:
    """Sessions given, the reason for breaking off or COMPLETED, and whether responding then."""
    count = len(planned)
    extra = (symptoms_at > planned) & happens(rng, parameters.extra_session, count)
    given = np.minimum(planned + extra, MAX_SESSIONS)
    reason = np.full(count, COMPLETED)
    responding = symptoms_at <= planned
    reasons_with = choose(rng, [w for _, w in parameters.reasons_responding], count)
    reasons_without = choose(rng, [w for _, w in parameters.reasons_unresponsive], count)
    staying = np.ones(count, dtype=np.bool_)
    for session, chance in enumerate(parameters.drop_out_by_session, start=1):
        responds = symptoms_at <= session
        chances = chance + np.where(responds, 0.0, parameters.drop_out_unresponsive)
        breaks_off = staying & (session < planned) & happens(rng, chances, count)
        given = np.where(breaks_off, session, given)
        responding = np.where(breaks_off, responds, responding)
        reason = np.where(breaks_off, np.where(responds, reasons_with, reasons_without), reason)
        staying &= ~breaks_off
    return given, reason, responding


def _with_maintenance(
    rng: np.random.Generator,
    courses: Courses,
    patients: Patients,
    site: InventedSite,
    parameters: Parameters,
) -> Courses:
    """The same courses with maintenance dates after completed ones, and what these restore."""
    maintenance = courses.maintenance.copy()
    lost = courses.lost.copy()
    before = courses.last_day
    returning = courses.completed
    chance = float(np.clip(parameters.maintenance_return + site.return_effect, 0, 1))
    for turn in range(MAX_MAINTENANCE):
        gap = parameters.maintenance_median * np.exp(
            parameters.maintenance_spread * rng.standard_normal(courses.count)
        )
        day = on_weekdays(before + np.maximum(gap, 125).astype(np.int64))
        returning = (
            returning
            & happens(rng, chance, courses.count)
            & (day < patients.leaves[courses.patient])
        )
        maintenance[:, turn] = np.where(returning, day, FOREVER)
        restored = (lost[:, turn] > day) | happens(
            rng, parameters.maintenance_restores, courses.count
        )
        renewed = np.where(restored, day + _lasting(rng, courses.count, parameters), 0)
        lost[:, turn + 1] = np.where(returning, renewed, lost[:, turn])
        before = np.where(returning, day, before)
    return replace(courses, maintenance=maintenance, lost=lost)
