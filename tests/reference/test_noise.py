"""Regression to the mean and what chance alone gives, against a published table and simulation."""

from itertools import pairwise, product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

PROPERTY = settings(max_examples=12, deadline=None)
MEAN, SPREAD, RELIABILITY = 34.5, 18.0, 0.82


@pytest.mark.parametrize(
    ("reliability", "effect"),
    [(0, 26.97202), (0.2, 21.57762), (0.5, 13.48601), (0.8, 5.394405), (0.9, 2.697202), (1, 0)],
)
def test_regression_past_a_cut(ask, reliability, effect):
    # Barnett AG et al., Int J Epidemiol 2005;34:215-220: mean 60, spread 15, selected below 40
    # (z 1.333333, C 1.798135, recomputed in R, seven figures).
    row = ask(
        "select {{ regression_past_a_cut('40', '60', '15', RHO, 'below') }} as below, "
        "{{ regression_past_a_cut('80', '60', '15', RHO) }} as above".replace(
            "RHO", f"'{reliability}'"
        )
    ).iloc[0]
    assert row.below == pytest.approx(effect, rel=2e-7)
    assert row.above == pytest.approx(row.below, rel=1e-12)


def test_regression_of_all_who_were_selected_is_its_mean_form(ask):
    # The two forms agree: those selected above a cut have mean + spread C as their first values.
    row = ask(
        """
        select
            {{ regression_past_a_cut('50', '30', '18', '0.82') }} as past_a_cut,
            {{ regression_to_the_mean('baseline', '30', '0.82') }} as of_the_mean
        from patients
        """,
        patients=pd.DataFrame(
            {"baseline": [30 + 18 * stats.norm.pdf(20 / 18) / stats.norm.sf(20 / 18)]}
        ),
    ).iloc[0]
    assert row.past_a_cut == pytest.approx(row.of_the_mean, rel=1e-9)


CHANCE = """
    select
        baseline, amount, reliability,
        {{ chance_improvement('baseline', 'amount', '34.5', '18', 'reliability') }} as chance
    from courses
"""


@given(
    st.lists(
        st.tuples(st.floats(0, 100), st.floats(0.5, 20), st.floats(0, 0.99)), min_size=1, max_size=9
    )
)
@PROPERTY
def test_chance_improvement_is_the_conditional_normal(ask, rows):
    # scipy.stats.norm: given the first, a second value is normal with mean
    # mean + reliability (first - mean) and variance spread^2 (1 - reliability^2).
    answer = ask(CHANCE, courses=pd.DataFrame(rows, columns=["baseline", "amount", "reliability"]))
    expected = stats.norm.cdf(
        answer.baseline - answer.amount,
        MEAN + answer.reliability * (answer.baseline - MEAN),
        SPREAD * np.sqrt(1 - answer.reliability**2),
    )
    assert answer.chance.to_numpy() == pytest.approx(expected, abs=1e-12)


def test_chance_improvement_at_the_edges(ask):
    answer = ask(
        CHANCE,
        courses=pd.DataFrame(
            {"baseline": [40, 40, None], "amount": 7.3, "reliability": [1, None, 0.8]}
        ),
    )
    assert answer.chance[0] == 0
    assert answer.chance[1:].isna().all()


def test_measures_where_higher_is_better_mirror(ask):
    row = ask(
        """
        select
            {{ chance_improvement('b', '2', '6', '3', '0.6') }} as lower_better,
            {{ chance_improvement('-(12 - b)', '2', '-(12 - 6)', '3', '0.6') }} as higher_better
        from (select 8e0 as b) as courses
        """
    ).iloc[0]
    assert row.lower_better == pytest.approx(row.higher_better, abs=1e-15)


def first_passage(ask, courses):
    sql = """
        {{ by_chance(
            'courses', ['site'], 'baseline', 'amount', '34.5', '18', 'reliability', 'sessions'
        ) }}
        order by session_number
    """
    rows = pd.DataFrame(courses, columns=["baseline", "amount", "reliability", "sessions"])
    return ask(sql, courses=rows.assign(site="alder")).set_index("session_number").by_chance


def simulated_passage(course, patients, seed):
    """The session at which each patient, in whom nothing changes, is first called a responder."""
    baseline, amount, reliability, sessions = course
    chance = np.random.default_rng(seed)
    true_values = (
        MEAN
        + reliability * (baseline - MEAN)
        + SPREAD * np.sqrt(reliability * (1 - reliability)) * chance.standard_normal(patients)
    )
    noise = SPREAD * np.sqrt(1 - reliability)
    values = true_values[:, None] + noise * chance.standard_normal((patients, sessions))
    passes = values <= baseline - amount
    confirmed = passes & np.column_stack([passes[:, 1:], np.full(patients, True)])
    return np.where(confirmed.any(axis=1), confirmed.argmax(axis=1) + 1, sessions + 1)


@pytest.mark.parametrize(
    "course",
    [(40.0, 7.3, 0.82, 4), (70.0, 13.4, 0.82, 6), (25.0, 7.3, 0.5, 3), (30.0, 2.0, 0.9, 1)],
)
def test_first_passage_agrees_with_simulation(ask, course):
    # 400 000 patients: five binomial errors are the tolerance, and the seed is fixed.
    patients = 400_000
    passed = simulated_passage(course, patients, seed=20_250_101)
    curve = first_passage(ask, [course])
    assert curve.index.tolist() == list(range(1, course[-1] + 1))
    for session, chance in curve.items():
        error = np.sqrt(chance * (1 - chance) / patients)
        assert (passed <= session).mean() == pytest.approx(chance, abs=5 * error)


def test_first_passage_is_the_integral_over_the_true_value(ask):
    # scipy.integrate.quad over the true value, for three sessions by enumeration: not yet by 1 is
    # not both of 1 and 2; by 2, no two running of three; by 3, neither two running nor the last.
    baseline, amount = 40.0, 7.3

    def average(not_yet):
        def weighted(deviation):
            shift = SPREAD * np.sqrt(RELIABILITY * (1 - RELIABILITY)) * deviation
            true_value = MEAN + RELIABILITY * (baseline - MEAN) + shift
            q = stats.norm.cdf(baseline - amount, true_value, SPREAD * np.sqrt(1 - RELIABILITY))
            return not_yet(q) * stats.norm.pdf(deviation)

        return 1 - integrate.quad(weighted, -9, 9, epsabs=1e-13)[0]

    expected = [
        average(lambda q: 1 - q**2),
        average(lambda q: 1 - 2 * q**2 + q**3),
        average(lambda q: (1 - q) * (1 - q**2)),
    ]
    curve = first_passage(ask, [(baseline, amount, RELIABILITY, 3)])
    assert curve.tolist() == pytest.approx(expected, abs=1e-9)


def test_a_single_evaluation_needs_no_confirmation(ask):
    course = (40.0, 7.3, RELIABILITY, 1)
    chance = ask(
        CHANCE, courses=pd.DataFrame([course[:3]], columns=["baseline", "amount", "reliability"])
    ).chance[0]
    assert first_passage(ask, [course])[1] == pytest.approx(chance, abs=1e-9)


def test_without_noise_nobody_passes(ask):
    assert first_passage(ask, [(40.0, 7.3, 1.0, 3)]).tolist() == [0, 0, 0]


def test_curves_are_averaged_over_courses_that_go_so_far(ask):
    short, long = (40.0, 7.3, RELIABILITY, 2), (60.0, 13.4, RELIABILITY, 3)
    apart = [first_passage(ask, [course]) for course in (short, long)]
    together = first_passage(ask, [short, long, long, (None, 7.3, RELIABILITY, 3)])
    assert together[2] == pytest.approx((apart[0][2] + 2 * apart[1][2]) / 3, abs=1e-12)
    assert together[3] == pytest.approx(apart[1][3], abs=1e-12)


def test_no_courses_have_no_curve(ask):
    assert first_passage(ask, []).empty


@given(
    st.tuples(
        st.floats(0, 100), st.floats(0.5, 20), st.floats(0, 1), st.integers(1, 8)
    )
)  # fmt: skip
@PROPERTY
def test_ever_more_are_called_responders(ask, course):
    curve = first_passage(ask, [course])
    assert curve.between(-1e-12, 1 + 1e-12).all()
    assert (curve.diff().dropna() >= -1e-12).all()


LOST = """
    {{ lost_by_noise(
        'gains', ['place'], 'amount', 'gain', 'spread', 'reliability', 'evaluations'
    ) }}
    order by place
"""


def lost_by_noise(ask, *gains):
    """Of each (amount, gain, spread, reliability, evaluations), the share lost."""
    columns = ["amount", "gain", "spread", "reliability", "evaluations"]
    rows = pd.DataFrame(gains, columns=columns).assign(place=range(len(gains)))
    return ask(LOST, gains=rows).lost


def test_of_gains_that_just_reach_the_number_a_sixth_is_lost_at_the_first_chance(ask):
    # Of four noises alike the baseline's must lie above the final value's and below those of the
    # two that follow: 2 of 24 orders, of the half in which it is above the final value's.
    assert lost_by_noise(ask, (7.3, 7.3, 18, 0.82, 1))[0] == pytest.approx(1 / 6, abs=1e-9)


@given(st.floats(0.5, 20), st.floats(0.8, 2.5), st.floats(0, 0.95), st.integers(0, 5))
@PROPERTY
def test_losses_by_noise_are_the_integral_over_the_baselines_noise(
    ask, amount, times, reliability, evaluations
):
    # scipy.integrate.quad, with every course of the evaluations counted out.
    spread = 18.0
    noise = spread * np.sqrt(1 - reliability)

    def average(part):
        def weighted(deviation):
            return part(deviation) * stats.norm.pdf(deviation)

        return integrate.quad(weighted, -9, 9, epsabs=1e-13, limit=200)[0]

    def fails(deviation):
        return stats.norm.sf(deviation + amount * (times - 1) / noise)

    def holds(deviation):
        fail = fails(deviation)
        return sum(
            np.prod([fail if failed else 1 - fail for failed in course])
            for course in product([False, True], repeat=evaluations + 1)
            if not any(first and second for first, second in pairwise(course))
        )

    expected = 1 - average(lambda x: (1 - fails(x)) * holds(x)) / average(lambda x: 1 - fails(x))
    got = lost_by_noise(ask, (amount, amount * times, spread, reliability, evaluations))[0]
    # The macro's normal distribution is within 1e-7 of scipy's (test_normal.py).
    assert got == pytest.approx(expected, abs=1e-7)


def test_losses_by_noise_at_the_edges(ask):
    sure, missed, unknown, unseen = lost_by_noise(
        ask, (5, 5, 3, 1, 3), (5, 4, 3, 1, 3), (5, 5, 3, None, 3), (5, 5, 3, 0.8, 0)
    )
    assert sure == unseen == 0
    assert np.isnan(missed)
    assert np.isnan(unknown)
