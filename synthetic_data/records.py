"""Rows of visits, patients, plans, other treatments and late harms."""

import numpy as np
import polars as pl

from ingest.contract import EYES, SEVERITIES, SINGLE_EYES
from synthetic_data.courses import LEFT, Courses
from synthetic_data.months import FOREVER, on_weekdays
from synthetic_data.outcomes import Occasions, Why
from synthetic_data.parameters import Parameters
from synthetic_data.population import Intake, Patients
from synthetic_data.randomness import Floats, Integers, choose, draw_codes, happens

REASONS = ("assessment", "course", "maintenance", "review")  # of a visit; the first one counts
REVIEWS = (Why.EARLY, Why.FINAL, Why.LATE)


def visit_rows(
    rng: np.random.Generator,
    patients: Patients,
    dates: pl.DataFrame,
    courses: Courses,
    occasions: Occasions,
    parameters: Parameters,
) -> pl.DataFrame:
    """One row per patient and day of assessment, treatment or review."""
    seen = occasions.only(occasions.why != Why.AFTER)
    reason = np.select(
        [seen.why == Why.ASSESSMENT, seen.why == Why.MAINTENANCE, np.isin(seen.why, REVIEWS)],
        [REASONS.index("assessment"), REASONS.index("maintenance"), REASONS.index("review")],
        REASONS.index("course"),
    )
    looked_at = pl.DataFrame(
        {
            "patient": seen.patient,
            "day": seen.day,
            "reason": reason,
            "osdi": seen.osdi,
            "share": _home_care_share(seen, parameters),
        }
    )
    treated_only = dates.select(
        "patient",
        "day",
        reason=pl.when(purpose="course")
        .then(REASONS.index("course"))
        .otherwise(REASONS.index("maintenance"))
        .cast(pl.Int64),
    )
    visits = (
        pl.concat([looked_at, treated_only], how="diagonal")
        .sort("patient", "day", "reason", "osdi", nulls_last=True)
        .unique(["patient", "day"], keep="first", maintain_order=True)
    )
    patient = visits["patient"].to_numpy()
    size = visits.height
    impression = visits["osdi"].to_numpy() + parameters.grade_noise * rng.standard_normal(size)
    looked = visits["osdi"].is_not_null().to_numpy()
    graded = looked & happens(rng, parameters.grade_noted, size)
    asked = looked & happens(rng, parameters.home_care_noted, size)
    minutes = np.round(patients.home_care[patient] * visits["share"].fill_null(1).to_numpy())
    years_later = (visits["day"].to_numpy() - patients.assessed[patient]) / 365.25
    return pl.DataFrame(
        {
            "patient": patient,
            "known": visits["day"],
            "visit_date": visits["day"],
            "visit_reason": pl.Series(REASONS).gather(visits["reason"]),
            "severity_grade": pl.Series(SEVERITIES).gather(
                np.searchsorted(parameters.grade_cuts, np.nan_to_num(impression))
            ),
            "diagnosis": patients.diagnosis.gather(patient),
            "age_years": (patients.age[patient] + years_later).astype(np.int64),
            "sex": patients.sex.gather(patient),
            "home_care_minutes_per_day": np.minimum(minutes, 240),
            "drops_per_day": np.minimum(rng.poisson(2.5, size), 48).astype(np.float64),
            "graded": graded,
            "asked": asked,
        }
    ).with_columns(
        pl.when("graded").then("severity_grade"),
        pl.when("asked").then(pl.col("home_care_minutes_per_day", "drops_per_day")),
    )


def _home_care_share(seen: Occasions, parameters: Parameters) -> Floats:
    """Share of the first minutes of home care that is left."""
    with_response, without = parameters.home_care_after
    return np.where(seen.done == 0, 1.0, np.where(seen.responds, with_response, without))


def patient_rows(
    rng: np.random.Generator, patients: Patients, courses: Courses, parameters: Parameters
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Two versions of the rows: as at the assessment, and again where the status changes later."""
    status, since = _status(rng, patients, courses, parameters)
    base = pl.DataFrame(
        {
            "patient": np.arange(patients.count),
            "treated_before": patients.treated_before,
        }
    )
    first = base.with_columns(
        known=pl.Series(patients.assessed),
        status=pl.lit("active"),
        status_date=pl.Series(patients.assessed),
    )
    changed = base.with_columns(
        known=pl.Series(since), status=status, status_date=pl.Series(since)
    ).filter(pl.col("known") < FOREVER)
    return first, changed


def _status(
    rng: np.random.Generator, patients: Patients, courses: Courses, parameters: Parameters
) -> tuple[pl.Series, Integers]:
    """The status that follows `active`, and its day: FOREVER where nothing changes."""
    since = np.full(patients.count, FOREVER)
    status = np.full(patients.count, "active", dtype=object)
    alone = (courses.maintenance[:, 0] == FOREVER) & (courses.next_course == FOREVER)
    for code, chance, low, high in (
        ("discharged", parameters.discharged, 130, 400),
        ("declined_recall", parameters.declined_recall, 185, 420),
    ):
        at = np.flatnonzero(alone & happens(rng, chance, courses.count))
        day = on_weekdays(courses.last_day + rng.integers(low, high, courses.count))
        since[courses.patient[at]] = day[at]
        status[courses.patient[at]] = code
    for code, day in (("moved", patients.moves), ("deceased", patients.dies)):
        earlier = day < since
        since = np.where(earlier, day, since)
        status = np.where(earlier, code, status)
    return pl.Series(status.astype(str), dtype=pl.String), since


def plan_rows(
    rng: np.random.Generator,
    patients: Patients,
    intake: Intake,
    courses: Courses,
    parameters: Parameters,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Plans as decided, and again where their end is noted later."""
    begun = courses.patient[courses.number == 1]
    accepting = np.setdiff1d(np.flatnonzero(intake.accepted_on < FOREVER), begun)
    recommended = np.flatnonzero(intake.recommended_on < FOREVER)
    otherwise = np.flatnonzero((intake.decision != "accepted").to_numpy())
    protocols = pl.Series([protocol.code for protocol in parameters.protocols])
    ended_on, end_reason = _plan_ends(rng, patients, courses, parameters)
    plans = pl.concat(
        [
            _decisions(recommended, intake.recommended_on, "recommended"),
            _decisions(otherwise, intake.decided_on, None).with_columns(
                decision=intake.decision.gather(otherwise)
            ),
            _decisions(accepting, intake.accepted_on, "accepted"),
            pl.DataFrame(
                {
                    "patient": courses.patient,
                    "known": courses.accepted_on,
                    "decision": pl.repeat("accepted", courses.count, eager=True),
                    "protocol": protocols.gather(courses.protocol),
                    "sessions_planned": np.where(courses.plan_names_sessions, courses.planned, 0),
                    "ended_on": ended_on,
                    "end_reason": end_reason,
                }
            ),
        ],
        how="diagonal",
    )
    tried = draw_codes(rng, parameters.home_care_tried, patients.count)
    plans = plans.with_columns(
        pl.when(pl.col("sessions_planned") > 0).then("sessions_planned"),
        plan=pl.int_range(plans.height),
        decided_on="known",
        home_care_result=tried.gather(plans["patient"]),
    )
    ended = plans.filter(pl.col("ended_on") < FOREVER).with_columns(known="ended_on")
    return plans.with_columns(
        nothing("ended_on", pl.Int64), nothing("end_reason", pl.String)
    ), ended


def _decisions(who: Integers, days: Integers, decision: str | None) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "patient": who,
            "known": days[who],
            "decision": pl.repeat(decision, len(who), dtype=pl.String, eager=True),
        }
    )


def _plan_ends(
    rng: np.random.Generator, patients: Patients, courses: Courses, parameters: Parameters
) -> tuple[Integers, pl.Series]:
    """The day an accepted plan ended, FOREVER where that is not noted, and the reason."""
    known = (*parameters.reasons_responding, *parameters.reasons_unresponsive)
    codes = pl.Series([code for code, _ in known] + ["completed", "moved", "died"])
    shift = np.where(courses.stopped_responding, 0, len(parameters.reasons_responding))
    left = np.where(patients.moves < patients.dies, len(known) + 1, len(known) + 2)
    reason = np.select(
        [courses.completed, courses.reason == LEFT],
        [np.full(courses.count, len(known)), left[courses.patient]],
        courses.reason + shift,
    )
    day = np.select(
        [courses.completed, courses.reason == LEFT],
        [courses.last_day, patients.leaves[courses.patient]],
        on_weekdays(courses.last_day + rng.integers(10, 90, courses.count)),
    )
    noted = happens(rng, parameters.plan_end_noted, courses.count)
    return np.where(noted, day, FOREVER), codes.gather(reason)


def treatment_rows(
    rng: np.random.Generator, patients: Patients, courses: Courses, parameters: Parameters
) -> pl.DataFrame:
    """Other treatments: from the assessment on, or begun during a course."""
    always = np.flatnonzero(patients.other_treatment < FOREVER)
    during = np.flatnonzero(courses.other_treatment < FOREVER)
    started = np.concatenate([patients.other_treatment[always], courses.other_treatment[during]])
    patient = np.concatenate([always, courses.patient[during]])
    eye = pl.Series([*EYES, None])
    return pl.DataFrame(
        {
            "patient": patient,
            "known": started,
            "treatment": draw_codes(rng, parameters.treatment_codes, len(started)),
            "eye": eye.gather(choose(rng, (0.03, 0.03, 0.80, 0.14), len(started))),
            "started_on": started,
        }
    ).filter(pl.Series(started < patients.leaves[patient]))


def late_harm_rows(
    rng: np.random.Generator, dates: pl.DataFrame, parameters: Parameters
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Harms with late onset as reported, and again once they are over."""
    at = np.flatnonzero(happens(rng, parameters.harm_later, dates.height))
    size = len(at)
    onset = (
        dates["day"].to_numpy()[at]
        + 1
        + rng.exponential(parameters.harm_later_days, size).astype(np.int64)
    )
    names = pl.Series(happens(rng, parameters.harm_names_session, size))
    harms = pl.DataFrame(
        {
            "patient": dates["patient"].gather(at),
            "known": onset,
            "onset_date": onset,
            "event": draw_codes(rng, parameters.harm_later_codes, size),
            "severity": draw_codes(rng, parameters.harm_severity, size),
            "session_id": dates["session_id"].gather(at),
            "eye": pl.Series([*SINGLE_EYES, None]).gather(choose(rng, (0.45, 0.45, 0.1), size)),
            "over": onset + 2 + rng.integers(0, 20, size),
        }
    ).with_columns(
        pl.when(names).then("session_id"),
        nothing("resolved_date", pl.Int64),
        serious=pl.when(pl.col("severity") == "severe").then(pl.lit("yes")).otherwise(pl.lit("no")),
        harm=pl.int_range(size),
    )
    return harms, harms.with_columns(known="over", resolved_date="over")


def nothing(column: str, type_: type[pl.DataType]) -> pl.Expr:
    """An empty column."""
    return pl.lit(None, dtype=type_).alias(column)
