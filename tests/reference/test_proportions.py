"""Limits of proportions and rates against published and recomputed values."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

WILSON = """
    select {{ wilson_low('responders', 'n') }} as low, {{ wilson_high('responders', 'n') }} as high
    from counts
"""
EXACT = """
    select {{ exact_low('events', 'n') }} as low, {{ exact_high('events', 'n') }} as high
    from counts
"""
# Totals over patients, as effective_sample_size.sql names them.
EFFECTIVE = """
    with
    patients as (
        select patient, sum(responds) as r, count(*) as n from eyes group by patient
    ),

    totals as (
        select
            cast(sum(r) as bigint) as responders,
            cast(sum(n) as bigint) as n,
            count(*) as patients,
            cast(sum(r * r) as bigint) as r_r,
            cast(sum(r * n) as bigint) as r_n,
            cast(sum(n * n) as bigint) as n_n
        from patients
    )

    select
        totals.*,
        {{ effective_sample_size('responders', 'n', 'patients', 'r_r', 'r_n', 'n_n') }} as effective
    from totals
"""


def counts(*pairs, columns=("responders", "n")):
    return pd.DataFrame(pairs, columns=columns)


@pytest.mark.parametrize(
    ("responders", "n", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_gives_the_handbook_values(ask, responders, n, low, high):
    # Recomputed in Python; said to stand in Newcombe RG, Stat Med 1998;17:857-872 (from memory).
    # Four places are given, so half a unit of the last is the tolerance.
    row = ask(WILSON, counts=counts((responders, n))).iloc[0]
    assert (row.low, row.high) == pytest.approx((low, high), abs=5e-5)


@given(st.lists(st.tuples(st.integers(0, 500), st.integers(0, 500)), min_size=1, max_size=20))
@settings(max_examples=12, deadline=None)
def test_wilson_agrees_with_statsmodels(ask, pairs):
    # statsmodels 0.14-0.15, proportion_confint(method="wilson"): the same closed form, so only
    # rounding may differ.
    table = counts(*[(responders, responders + others + 1) for responders, others in pairs])
    answer = ask(WILSON, counts=table)
    low, high = proportion_confint(table.responders, table.n, method="wilson")
    assert answer.low.to_numpy() == pytest.approx(low, abs=1e-12)
    assert answer.high.to_numpy() == pytest.approx(high, abs=1e-12)


def test_wilson_at_the_edges(ask):
    answer = ask(WILSON, counts=counts((0, 0), (None, 5), (0, 3), (3, 3), (0.5, 2.5)))
    assert answer.low.isna().tolist() == [True, True, False, False, False]
    assert answer.low[2] == 0.0
    assert answer.high[3] == 1.0
    assert 0 < answer.low[4] < 0.2 < answer.high[4] < 1


def test_wilson_takes_expressions_whole(ask):
    answer = ask(
        """
        select
            {{ wilson_low('a + a', 'b + b') }} as low,
            {{ wilson_low('2 * a', '2 * b') }} as twice
        from counts
        """,
        counts=counts((3, 10), columns=("a", "b")),
    )
    assert answer.low[0] == answer.twice[0]


@pytest.mark.parametrize("events", [0, 1, 2, 3, 7, 10, 29, 100, 250, 1000, 60000])
def test_exact_limits_are_quantiles_of_the_gamma_distribution(ask, events):
    # scipy.stats.chi2.ppf: Garwood's limits are chi2(.025; 2k) / 2 and chi2(.975; 2k + 2) / 2.
    # Newton's method stops short of rounding by less than 1e-11 of the value.
    row = ask(EXACT, counts=counts((events, 100), columns=("events", "n"))).iloc[0]
    low = stats.chi2.ppf(0.025, 2 * events) / 200 if events else 0.0
    assert (row.low, row.high) == pytest.approx(
        (low, stats.chi2.ppf(0.975, 2 * events + 2) / 200), rel=1e-11
    )


def test_exact_limits_at_the_edges(ask):
    answer = ask(EXACT, counts=counts((0, 0), (2, 0), (None, 5), (6, 5), columns=("events", "n")))
    assert answer.low.isna().tolist() == [True, True, True, False]
    assert answer.high.isna().tolist() == [True, True, True, False]
    assert answer.low[3] < 6 / 5 < answer.high[3]


def test_exact_limit_of_no_event_is_the_closed_form(ask):
    # P(none | mean) = .025 at mean = -ln(.025).
    assert ask(EXACT, counts=counts((0, 1), columns=("events", "n"))).high[0] == pytest.approx(
        -np.log(0.025), rel=1e-14
    )


def eyes(*patients):
    """One row per eye from each patient's list of outcomes."""
    return pd.DataFrame(
        [(patient, responds) for patient, outcomes in enumerate(patients) for responds in outcomes],
        columns=["patient", "responds"],
    )


def test_one_eye_to_a_patient_counts_in_full(ask):
    assert ask(EFFECTIVE, eyes=eyes([1], [0], [0], [1], [1])).effective[0] == pytest.approx(5)


@pytest.mark.parametrize(
    ("patients", "effective"),
    [
        ([[1, 1], [0, 0], [1, 1], [0, 0]], 24 / 7),  # eyes alike: 8 x (1/4 / 7) / (4/3 x 4 / 64)
        ([[1, 1], [1, 1], [1, 1]], 3),  # p is 1: the patients
        ([[0, 0], [0, 0]], 2),  # p is 0
        ([[1, 0], [1, 0], [1, 0]], 3),  # no patient differs from another: V is 0
        ([[1, 0, 1]], 1),  # one patient
        ([[1, 0], [0, 1], [1, 0, 0], [0, 1, 1]], 10),  # eyes opposed: never above n
    ],
)
def test_effective_sample_size_at_the_edges(ask, patients, effective):
    assert ask(EFFECTIVE, eyes=eyes(*patients)).effective[0] == pytest.approx(effective)


def test_effective_sample_size_of_nobody_is_unknown(ask):
    assert ask(EFFECTIVE, eyes=eyes([1]).head(0)).effective.isna().all()


def test_effective_sample_size_is_whole_numbers_to_the_end(ask):
    # V is exactly 0 for any number of patients with one eye of each kind: rounding would not
    # leave it so, and the answer would be the eyes and not the patients.
    row = ask(
        """
        select
            {{ effective_sample_size('r', 'n', 'm', 'r_r', 'r_n', 'n_n') }} as effective
        from (
            select
                30000001 as r, 60000002 as n, 30000001 as m,
                30000001 as r_r, 60000002 as r_n, 120000004 as n_n
        ) as totals
        """
    )
    assert row.effective[0] == 30000001


@given(
    st.lists(st.lists(st.integers(0, 1), min_size=1, max_size=3), min_size=3, max_size=30).filter(
        lambda patients: len({outcome for outcomes in patients for outcome in outcomes}) == 2
    )
)
@settings(max_examples=15, deadline=None)
def test_effective_sample_size_is_what_gee_gives(ask, patients):
    # statsmodels GEE, binomial, independence, intercept alone: its robust error on the logit scale
    # times p (1 - p) is the clustered error without m / (m - 1).
    rows = eyes(*patients)
    answer = ask(EFFECTIVE, eyes=rows).iloc[0]
    rate, n, m = rows.responds.mean(), len(rows), rows.patient.nunique()
    fit = sm.GEE(
        rows.responds,
        pd.DataFrame({"all": np.ones(n)}),
        groups=rows.patient,
        family=sm.families.Binomial(),
    ).fit()
    variance = (fit.bse["all"] * rate * (1 - rate)) ** 2 * m / (m - 1)
    naive = rate * (1 - rate) / (n - 1)
    if variance < 1e-12:  # GEE's rounding of a V that is 0
        assert answer.effective == m
    else:
        # GEE iterates to a tolerance of its own, 1e-6 on the coefficient.
        assert answer.effective == pytest.approx(min(n, n * naive / variance), rel=1e-5)


NEWCOMBE = """
    select
        {{ newcombe_low('r', 'n', 's', 'm') }} as low,
        {{ newcombe_high('r', 'n', 's', 'm') }} as high
    from pairs
"""


def pairs(*rows):
    return pd.DataFrame(rows, columns=["r", "n", "s", "m"])


@pytest.mark.parametrize(
    ("arms", "low", "high"),
    [
        ((56, 70, 48, 80), 0.0524, 0.3339),  # printed there
        ((5, 56, 0, 29), -0.0381, 0.1926),  # printed there
        ((9, 10, 3, 10), 0.1705, 0.8090),  # this and those below recomputed
        ((10, 10, 0, 20), 0.6791, 1),
        ((0, 10, 0, 10), -0.2775, 0.2775),
    ],
)
def test_newcombe_gives_the_papers_values(ask, arms, low, high):
    # Newcombe RG, Stat Med 1998;17:873-890, method 10, four places.
    row = ask(NEWCOMBE, pairs=pairs(arms)).iloc[0]
    assert (row.low, row.high) == pytest.approx((low, high), abs=5.1e-5)


@given(st.tuples(*[st.integers(0, 60)] * 4))
@settings(max_examples=12, deadline=None)
def test_newcombe_agrees_with_statsmodels(ask, drawn):
    # statsmodels 0.14-0.15, confint_proportions_2indep(method="newcomb").
    r, more, s, others = drawn
    arms = (r, r + more + 1, s, s + others + 1)
    row = ask(NEWCOMBE, pairs=pairs(arms)).iloc[0]
    low, high = confint_proportions_2indep(*arms, method="newcomb", compare="diff")
    assert (row.low, row.high) == pytest.approx((low, high), abs=1e-12)


def test_newcombe_with_an_empty_arm_is_unknown(ask):
    answer = ask(NEWCOMBE, pairs=pairs((0, 0, 1, 2), (1, 2, 0, 0)))
    assert answer.isna().all(axis=None)
