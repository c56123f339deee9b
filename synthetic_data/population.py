"""The patients of one site: who they are, what they suffer, and whether they accept treatment."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from synthetic_data.months import FOREVER, Months, on_weekdays
from synthetic_data.parameters import Parameters
from synthetic_data.randomness import (
    Floats,
    Integers,
    choose,
    draw_codes,
    happens,
)

DAYS_A_YEAR = 365.25


@dataclass(frozen=True)
class Patients:
    """One entry per assessed patient in every array.

    Days are numbers since 1970-01-01, FOREVER where a thing never happens. `osdi` and `signs`
    are true values before any treatment; `signs` has a row per patient and a column per eye
    (right, left). `first_osdi` is the measurement at the assessment, on which the decision rests.
    """

    assessed: Integers
    age: Integers
    sex: pl.Series
    diagnosis: pl.Series
    treated_before: pl.Series
    severity: Floats  # standard normal
    osdi: Floats
    first_osdi: Floats
    signs: dict[str, Floats]
    home_care: Floats  # minutes a day
    other_treatment: Integers  # day on which another treatment starts
    moves: Integers
    dies: Integers

    @property
    def count(self) -> int:
        return len(self.assessed)

    @property
    def leaves(self) -> Integers:
        """The first day on which the patient can no longer be seen."""
        return np.minimum(self.moves, self.dies)


@dataclass(frozen=True)
class Intake:
    """What was decided: one entry per patient in every array.

    `recommended_on` and `accepted_on` are FOREVER where that never happened; `decision` is the
    code of the decision taken on `decided_on`, the last one before any acceptance that came later.
    """

    recommended_on: Integers
    decision: pl.Series
    decided_on: Integers
    accepted_on: Integers


def draw_patients(
    rng: np.random.Generator, count: int, months: Months, parameters: Parameters
) -> Patients:
    """Patients whose assessments spread evenly over the months."""
    severity = rng.standard_normal(count)
    own_spread = parameters.osdi_spread * np.sqrt(parameters.osdi_reliability)
    osdi = np.clip(parameters.osdi_mean + own_spread * severity, 0, 100)
    assessed = on_weekdays(rng.integers(months.first_day, months.last_day + 1, count))
    assessed = np.clip(assessed, months.first_day, months.last_day)
    return Patients(
        assessed=assessed,
        age=np.clip(
            parameters.age_mean + parameters.age_spread * rng.standard_normal(count), 18, 99
        ).astype(np.int64),
        sex=draw_codes(rng, parameters.sexes, count),
        diagnosis=draw_codes(rng, parameters.diagnoses, count),
        treated_before=draw_codes(rng, parameters.treated_before, count),
        severity=severity,
        osdi=osdi,
        first_osdi=measured_osdi(rng, osdi, parameters),
        signs=_draw_signs(rng, severity, parameters),
        home_care=rng.gamma(2.0, parameters.home_care_mean / 2.0, count),
        other_treatment=np.where(
            happens(rng, parameters.treatments_at_assessment, count), assessed, FOREVER
        ),
        moves=_day_of_chance(rng, assessed, parameters.moved_per_year),
        dies=_day_of_chance(rng, assessed, parameters.died_per_year),
    )


def measured_osdi(rng: np.random.Generator, osdi: Floats, parameters: Parameters) -> Floats:
    """True values with measurement noise, on the score's own steps: sum x 25 / answered."""
    noise = parameters.osdi_spread * np.sqrt(1 - parameters.osdi_reliability)
    answered, weights = zip(*parameters.osdi_answered, strict=True)
    points_each = 25 / np.array(answered)[choose(rng, weights, len(osdi))]
    noisy = np.clip(osdi + noise * rng.standard_normal(len(osdi)), 0, 100)
    scores: Floats = np.round(np.round(noisy / points_each) * points_each, 1)
    return scores


def _draw_signs(
    rng: np.random.Generator, severity: Floats, parameters: Parameters
) -> dict[str, Floats]:
    """True values per patient and eye of every sign, alike within a patient."""
    count = len(severity)
    signs = {}
    for sign in parameters.signs:
        shared = sign.load * severity + np.sqrt(1 - sign.load**2) * rng.standard_normal(count)
        alike = np.sqrt(parameters.eyes_correlation) * shared[:, None]
        own = np.sqrt(1 - parameters.eyes_correlation) * rng.standard_normal((count, 2))
        signs[sign.measure] = sign.mean + sign.spread * (alike + own)
    return signs


def _day_of_chance(rng: np.random.Generator, since: Integers, per_year: float) -> Integers:
    waits = rng.exponential(DAYS_A_YEAR / per_year, len(since)).astype(np.int64)
    return since + 1 + waits


def draw_intake(rng: np.random.Generator, patients: Patients, parameters: Parameters) -> Intake:
    """Decisions that follow the measured OSDI: hence regression to the mean among the treated."""
    count = patients.count
    asked = patients.first_osdi + parameters.treat_spread * rng.standard_normal(count)
    unsuitable = happens(rng, parameters.not_suitable, count)
    recommended = (asked > parameters.treat_from) & ~unsuitable
    answer = draw_codes(rng, parameters.decision_weights, count).to_numpy()
    decision = np.where(
        recommended, answer, np.where(unsuitable, "not_suitable", "home_care_first")
    )
    decided_on = on_weekdays(
        patients.assessed + np.where(recommended, rng.integers(0, 15, count), 0)
    )
    taken_up = (decision == "deferred") & happens(rng, parameters.deferred_accept_later, count)
    home_care_failed = (decision == "home_care_first") & happens(
        rng, parameters.home_care_fails, count
    )
    later = on_weekdays(decided_on + rng.integers(60, 150, count))
    accepted_on = np.where(
        decision == "accepted",
        decided_on,
        np.where(taken_up | home_care_failed, later, FOREVER),
    )
    return Intake(
        recommended_on=np.where(
            recommended, patients.assessed, np.where(home_care_failed, later, FOREVER)
        ),
        decision=pl.Series(decision, dtype=pl.String),
        decided_on=decided_on,
        accepted_on=accepted_on,
    )
