"""Funnel limits and over-dispersion against scipy."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.stats.mstats import winsorize

PROPERTY = settings(max_examples=12, deadline=None)
QUANTILES = {"low_998": 0.001, "low_95": 0.025, "high_95": 0.975, "high_998": 0.999}
FUNNEL = "{{ funnel_limits('sites', ['site']) }} order by site"
WIDENED = "{{ funnel_limits('sites', ['site'], overdispersion='factor') }} order by site"


def sites(*rows, columns=("n", "rate")):
    return pd.DataFrame(rows, columns=columns).assign(site=lambda rows: range(len(rows)))


@pytest.mark.parametrize(
    ("n", "expected"),
    [
        (50, [0.4809, 0.5599, 0.8139, 0.8769]),
        (100, [0.5484, 0.6031, 0.7831, 0.8297]),
        (200, [0.5949, 0.6330, 0.7600, 0.7945]),
    ],
)
def test_limits_around_seven_in_ten(ask, n, expected):
    # Spiegelhalter DJ, Stat Med 2005;24:1185-1202 (formula from memory); recomputed in R, four
    # places.
    row = ask(FUNNEL, sites=sites((n, 0.7))).iloc[0]
    assert [row[name] for name in QUANTILES] == pytest.approx(expected, abs=5.1e-5)


def interpolated(n, rate, quantile):
    """The definition, with scipy.stats.binom."""
    count = stats.binom.ppf(quantile, n, rate)
    beyond = stats.binom.cdf(count, n, rate) - quantile
    return max(count - beyond / stats.binom.pmf(count, n, rate), 0) / n


@given(
    st.lists(st.tuples(st.integers(1, 3000), st.floats(0.001, 0.999)), min_size=1, max_size=20),
)
@PROPERTY
def test_limits_agree_with_scipy(ask, rows):
    table = sites(*rows)
    answer = ask(FUNNEL, sites=table)
    for name, quantile in QUANTILES.items():
        expected = [interpolated(n, rate, quantile) for n, rate in rows]
        # scipy's own binomial is good to about 1e-12 at this size.
        assert answer[name].to_numpy() == pytest.approx(expected, abs=1e-10)


def test_limits_of_a_very_large_site_are_those_of_the_normal_distribution(ask):
    row = ask(FUNNEL, sites=sites((4_000_000, 0.3))).iloc[0]
    error = np.sqrt(0.3 * 0.7 / 4_000_000)
    for name, quantile in QUANTILES.items():
        assert (row[name] - 0.3) / error == pytest.approx(stats.norm.ppf(quantile), abs=2e-3)


def test_limits_at_the_edges(ask):
    answer = ask(
        FUNNEL, sites=sites((0, 0.5), (10, 0.0), (10, 1.0), (None, 0.5), (10, None), (1, 0.5))
    )
    limits = answer[list(QUANTILES)]
    assert limits.isna().all(axis=1).tolist() == [True, False, False, True, True, False]
    assert limits.loc[1].tolist() == [0] * 4
    assert limits.loc[2].tolist() == [1] * 4
    assert limits.loc[5].between(0, 1).all()


def test_overdispersion_widens_by_its_root(ask):
    table = sites(
        (200, 0.7, 4.0), (200, 0.7, 1.0), (200, 0.7, None), columns=("n", "rate", "factor")
    )
    wide, narrow, unknown = (row for _, row in ask(WIDENED, sites=table).iterrows())
    for name in QUANTILES:
        assert wide[name] - 0.7 == pytest.approx(2 * (narrow[name] - 0.7))
        assert unknown[name] == narrow[name]


def test_widened_limits_stay_shares(ask):
    row = ask(WIDENED, sites=sites((5, 0.5, 100.0), columns=("n", "rate", "factor"))).iloc[0]
    assert [row[name] for name in QUANTILES] == [0, 0, 1, 1]


OVERDISPERSION = "{{ overdispersion('sites', ['rule']) }}"
variation = st.lists(
    st.tuples(st.integers(0, 100), st.floats(20, 80)), min_size=10, max_size=35
).map(lambda rows: pd.DataFrame(rows, columns=["observed", "expected"]).assign(n=100, rule="a"))


@given(variation)
@PROPERTY
def test_overdispersion_is_the_winsorised_mean_square(ask, rows):
    # scipy.stats.mstats.winsorize sets whole tenths, rounded down, to the next value.
    scores = (rows.observed - rows.expected) / np.sqrt(rows.expected * (1 - rows.expected / 100))
    expected = max(1, float((np.asarray(winsorize(scores.to_numpy(), limits=0.1)) ** 2).mean()))
    row = ask(OVERDISPERSION, sites=rows).iloc[0]
    assert row.sites == len(rows)
    assert row.overdispersion == pytest.approx(expected, rel=1e-9)


def test_overdispersion_is_estimated_from_ten_sites_on(ask):
    ten = pd.DataFrame({"observed": 30, "expected": 50.0, "n": 100, "rule": "a"}, index=range(10))
    assert ask(OVERDISPERSION, sites=ten).overdispersion[0] == pytest.approx(16)
    assert ask(OVERDISPERSION, sites=ten.head(9)).overdispersion.isna().all()


def test_a_site_without_expectation_is_not_counted(ask):
    ten = pd.DataFrame({"observed": 3, "expected": 5.0, "n": 10, "rule": "a"}, index=range(10))
    ten.loc[0, "expected"] = None
    ten.loc[1, "expected"] = 0
    ten.loc[2, "expected"] = 10
    assert ask(OVERDISPERSION, sites=ten).sites[0] == 7


def test_less_than_binomial_variation_narrows_nothing(ask):
    ten = pd.DataFrame({"observed": 50, "expected": 50.0, "n": 100, "rule": "a"}, index=range(10))
    assert ask(OVERDISPERSION, sites=ten).overdispersion[0] == 1


def test_no_sites_vary_by_nothing(ask):
    rows = pd.DataFrame({"observed": [3], "expected": [5.0], "n": [10], "rule": ["a"]})
    assert ask(OVERDISPERSION, sites=rows.head(0)).empty
    assert ask(FUNNEL, sites=sites((10, 0.5)).head(0)).empty
