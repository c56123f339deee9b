"""What the invented group shows, against published formulas, and beside published series.

Published outcomes are context that makes invented data plausible, never a target: bounds are wide,
and nothing is fitted.
"""

from statistics import NormalDist

import numpy as np
import pytest

from synthetic_data.courses import MAX_SESSIONS, Courses, response_thresholds
from synthetic_data.months import FOREVER
from synthetic_data.outcomes import NAMES, NO_COURSE, Why
from synthetic_data.parameters import SITES, Parameters
from synthetic_data.population import measured_osdi
from synthetic_data.simulation import Simulated

PARAMETERS = Parameters()


def treated(simulated: Simulated) -> np.ndarray:
    """Whether each patient begins a course."""
    return np.isin(np.arange(simulated.patients.count), simulated.courses.patient)


def mean_when(simulated: Simulated, measure: str, why: Why) -> float:
    """Mean over treated patients of a measure on one kind of occasion."""
    values, occasions = simulated.values, simulated.occasions
    at = (
        (values.measure == NAMES.index(measure))
        & (occasions.why[values.occasion] == why)
        & treated(simulated)[occasions.patient[values.occasion]]
    )
    return float(values.value[at].mean())


@pytest.mark.parametrize(
    ("measure", "before", "after"),
    [
        # Open Ophthalmol J 2023;17, multi-site, uncontrolled: baseline and 1 to 3 months after.
        ("osdi", (30, 42), (20, 28)),  # 34.5 -> 25.2, 21.2
        ("speed", (13, 18), (9, 13)),  # 15.7 -> 11.4, 9.1
        ("break_up_time", (2.3, 3.4), (5, 7.5)),  # 2.8 -> 6.3, 7.1 s
        # Clin Ophthalmol 2016;10:1385-1396, one-session thermal treatment, at 12 months.
        ("gland_secretion", (5, 8), (12, 19)),  # 6.4 -> 17.3
    ],
)
def test_means_lie_near_published_series(
    simulated: Simulated,
    measure: str,
    before: tuple[float, float],
    after: tuple[float, float],
) -> None:
    assert before[0] < mean_when(simulated, measure, Why.ASSESSMENT) < before[1]
    assert after[0] < mean_when(simulated, measure, Why.FINAL) < after[1]


def test_symptoms_are_as_reliable_as_the_model_says(simulated: Simulated) -> None:
    """0.82, from memory: Schiffman RM et al., Arch Ophthalmol 2000;118:615-621."""
    first = simulated.patients.first_osdi
    second = measured_osdi(np.random.default_rng(1), simulated.patients.osdi, PARAMETERS)
    assert np.corrcoef(first, second)[0, 1] == pytest.approx(0.82, abs=0.015)


def test_the_treated_regress_to_the_mean(simulated: Simulated) -> None:
    """(1 - rho) x distance from the mean: Barnett AG et al., Int J Epidemiol 2005;34:215-220."""
    patients = simulated.patients
    chosen = treated(simulated)
    second = measured_osdi(np.random.default_rng(2), patients.osdi, PARAMETERS)
    distance = patients.first_osdi[chosen].mean() - patients.first_osdi.mean()
    fall = patients.first_osdi[chosen].mean() - second[chosen].mean()
    assert distance > 3
    assert fall == pytest.approx((1 - PARAMETERS.osdi_reliability) * distance, abs=0.25)


def test_the_two_eyes_are_correlated(simulated: Simulated) -> None:
    values, occasions = simulated.values, simulated.occasions
    sign = next(s for s in PARAMETERS.signs if s.measure == "gland_secretion")
    at = (values.measure == NAMES.index(sign.measure)) & (
        occasions.why[values.occasion] == Why.ASSESSMENT
    )
    right, left = (values.value[at & (values.eye == eye)] for eye in (0, 1))
    reliability = sign.spread**2 / (sign.spread**2 + sign.noise**2)
    expected = PARAMETERS.eyes_correlation * reliability
    assert np.corrcoef(right, left)[0, 1] == pytest.approx(expected, abs=0.03)


def test_responses_come_with_the_chances_of_the_model(simulated: Simulated) -> None:
    courses = simulated.courses
    thresholds = response_thresholds(
        PARAMETERS.symptoms_by_session,
        simulated.patients.severity[courses.patient],
        courses.protocol,
        SITES[0],
        PARAMETERS,
    )
    chances = np.vectorize(NormalDist().cdf)(thresholds).mean(axis=0)
    for session in range(1, MAX_SESSIONS + 1):
        share = (courses.symptoms_respond_at <= session).mean()
        assert share == pytest.approx(chances[session - 1], abs=0.015)


def test_more_severe_patients_and_other_sites_respond_otherwise() -> None:
    def chance(severity: float, protocol: int, site: int) -> float:
        return float(
            response_thresholds(
                PARAMETERS.symptoms_by_session,
                np.array([severity]),
                np.array([protocol]),
                SITES[site],
                PARAMETERS,
            )[0, 2]
        )

    assert chance(1, 0, 0) < chance(0, 0, 0) < chance(0, 1, 0)
    assert chance(0, 0, 2) < chance(0, 0, 0) < chance(0, 0, 1)


def gave_up(courses: Courses) -> np.ndarray:
    return courses.reason >= 0


def test_those_without_response_break_off_more(simulated: Simulated) -> None:
    courses = simulated.courses
    after_first = gave_up(courses) & (courses.sessions == 1)
    responding = courses.symptoms_respond_at <= 1
    without = after_first[~responding].mean()
    with_response = after_first[responding].mean()
    assert with_response == pytest.approx(PARAMETERS.drop_out_by_session[0], abs=0.015)
    assert without - with_response == pytest.approx(PARAMETERS.drop_out_unresponsive, abs=0.02)


def test_outcomes_are_not_missing_at_random(simulated: Simulated) -> None:
    courses, occasions = simulated.courses, simulated.occasions
    seen = np.isin(np.arange(courses.count), occasions.course[occasions.why == Why.FINAL])
    stays = courses.completed & (courses.next_course == FOREVER)
    responding = courses.symptoms_respond_at <= courses.sessions
    assert seen[stays & responding].mean() > seen[stays & ~responding].mean() + 0.08
    assert seen[courses.completed].mean() > seen[gave_up(courses)].mean() + 0.2


def test_many_are_assessed_and_never_treated(simulated: Simulated) -> None:
    assert 0.25 < 1 - treated(simulated).mean() < 0.55


def test_sessions_follow_each_other_and_none_follows_a_death(simulated: Simulated) -> None:
    courses, patients = simulated.courses, simulated.patients
    given = courses.days < FOREVER
    gaps = np.diff(courses.days, axis=1)[given[:, 1:]]
    assert gaps.min() > 0
    assert gaps.max() <= 120  # else a course would be two
    assert (courses.last_day < patients.leaves[courses.patient]).all()
    returns = courses.maintenance[:, 0] < FOREVER
    wait = (courses.maintenance[:, 0] - courses.last_day)[returns]
    assert wait.min() > 120  # a final evaluation is never cut short
    assert 200 < np.median(wait) < 330


def test_nothing_changes_before_treatment_or_in_an_untreated_eye(simulated: Simulated) -> None:
    occasions, courses, patients = simulated.occasions, simulated.courses, simulated.patients
    untouched = occasions.done == 0
    helped = patients.other_treatment[occasions.patient] < occasions.day
    same = untouched & ~helped
    assert (occasions.osdi[same] == patients.osdi[occasions.patient[same]]).all()
    values = simulated.values
    at = occasions.course[values.occasion]
    of_sign = values.measure == NAMES.index("gland_secretion")
    final = occasions.why[values.occasion] == Why.FINAL
    one_eye = np.flatnonzero(of_sign & final & (at != NO_COURSE) & (values.eye < 2))
    treats = courses.treats[at[one_eye], values.eye[one_eye]]
    before = patients.signs["gland_secretion"][
        occasions.patient[values.occasion[one_eye]], values.eye[one_eye]
    ]
    change = values.value[one_eye] - np.maximum(before, 0)
    assert abs(change[~treats].mean()) < 0.5
    assert change[treats].mean() > 5


def test_home_care_takes_less_time_with_response() -> None:
    with_response, without = PARAMETERS.home_care_after
    assert with_response < 0.5 < without
