"""Limits for a month beside the months before it, against scipy."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

PROPERTY = settings(max_examples=12, deadline=None)
LIMITS = "{{ prediction_limits('months', ['month']) }} order by month"
TAIL = 0.001


def months(*rows):
    table = pd.DataFrame(rows, columns=["n", "before", "before_n"])
    return table.assign(month=range(len(rows)))


def within(n, before, before_n):
    """Counts that Fisher's exact test, on either side, does not set apart from the months before.

    scipy.stats.hypergeom: responders of the month, given those of both.
    """
    counts = np.arange(n + 1)
    given_all = stats.hypergeom(before_n + n, before + counts, n)
    return counts[(given_all.cdf(counts) > TAIL) & (given_all.sf(counts - 1) > TAIL)]


@pytest.mark.parametrize(
    ("row", "expected"),
    [((20, 70, 100), (6 / 20, 20 / 20)), ((40, 18, 30), (9 / 40, 37 / 40))],
)
def test_limits_of_two_months(ask, row, expected):
    # scipy 1.17.1, scipy.stats.fisher_exact on one side. Beside 70 of 100: 5 of 20 has
    # 0.00023140055735962946, 6 of 20 0.0010170658652237246, 20 of 20 0.001730376314521498. Beside
    # 18 of 30: 8 of 40 has 0.0006976794752652617, 9 of 40 0.0015635949962862436, 37 of 40
    # 0.0013221944543883209, 38 of 40 0.0003746397137781506. Counts over n: the doubles are equal.
    low, high = ask(LIMITS, months=months(row)).iloc[0][["low", "high"]]
    assert (low, high) == expected


group = st.integers(1, 400).flatmap(
    lambda before_n: st.tuples(st.integers(1, 120), st.integers(0, before_n), st.just(before_n))
)


@given(st.lists(group, min_size=1, max_size=12))
@PROPERTY
def test_limits_agree_with_fishers_exact_test(ask, rows):
    answer = ask(LIMITS, months=months(*rows))
    for row, (n, before, before_n) in zip(answer.itertuples(), rows, strict=True):
        counts = within(n, before, before_n)
        # Whole counts over n: the same division gives the same double.
        assert (row.low, row.high) == (counts[0] / n, counts[-1] / n)


@pytest.mark.parametrize("rate", [0.3, 0.6, 0.9])
@pytest.mark.parametrize("n", [10, 40])
@pytest.mark.parametrize("before_n", [30, 300])
def test_chance_alone_is_beyond_the_limits_in_at_most_two_of_a_thousand_months(
    ask, rate, n, before_n
):
    before = np.arange(before_n + 1)
    limits = ask(LIMITS, months=months(*((n, r, before_n) for r in before)))
    shares = np.arange(n + 1) / n
    weights = stats.binom.pmf(before, before_n, rate)
    chances = stats.binom.pmf(np.arange(n + 1), n, rate)
    beyond = [
        chances[(shares < row.low) | (shares > row.high)].sum() for row in limits.itertuples()
    ]
    assert np.dot(weights, beyond) <= 2 * TAIL


def test_limits_that_take_the_level_as_known_are_no_limits_for_a_month(ask):
    """The reason for this macro: those of a funnel would call one such month in twenty news."""
    n, before_n, rate = 40, 30, 0.6
    before = np.arange(1, before_n)
    sites = pd.DataFrame({"site": before, "n": n, "rate": before / before_n})
    limits = ask("{{ funnel_limits('sites', ['site']) }} order by site", sites=sites)
    shares = np.arange(n + 1) / n
    chances = stats.binom.pmf(np.arange(n + 1), n, rate)
    beyond = [
        chances[(shares < row.low_998) | (shares > row.high_998)].sum()
        for row in limits.itertuples()
    ]
    assert np.dot(stats.binom.pmf(before, before_n, rate), beyond) > 0.04


def test_limits_at_the_edges(ask):
    answer = ask(
        LIMITS,
        months=months(
            (0, 5, 10), (10, 0, 0), (None, 5, 10), (10, None, 10), (10, 0, 40), (10, 40, 40)
        ),
    )
    assert answer[["low", "high"]].isna().all(axis=1).tolist() == [True] * 4 + [False] * 2
    assert answer.low[4] == 0
    assert answer.high[5] == 1
    assert answer.high[4] < 1
    assert answer.low[5] > 0
