"""The normal and chi-square distributions against scipy."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

POINTS = np.concatenate([np.linspace(-37, 37, 4001), [-8, 8, 0, 1e-300, 40, -40, 1e6]])


def test_normal_distribution_agrees_with_scipy(ask):
    # scipy.stats.norm.cdf. Asked for: 1e-7. The formula's own claim is 1e-15, and 1e-12 of the
    # smaller tail.
    answer = ask(
        "select x, {{ normal_below('x') }} as below from points", points=pd.DataFrame({"x": POINTS})
    )
    assert answer.below.to_numpy() == pytest.approx(stats.norm.cdf(answer.x), abs=1e-15)
    tail = answer[(answer.x < 0) & (answer.x > -37.5)]
    assert tail.below.to_numpy() == pytest.approx(stats.norm.cdf(tail.x), rel=1e-12)


def test_two_sided_p_agrees_with_scipy(ask):
    answer = ask(
        "select x, {{ two_sided_p('x') }} as p from points", points=pd.DataFrame({"x": POINTS})
    )
    seen = answer[answer.x.abs() < 37.5]
    assert seen.p.to_numpy() == pytest.approx(2 * stats.norm.sf(seen.x.abs()), rel=1e-12)


def test_two_sided_p_at_the_limits_of_the_project_is_five_in_a_hundred(ask):
    assert ask("select {{ two_sided_p(z_95()) }} as p").p[0] == pytest.approx(0.05, rel=1e-14)


@pytest.mark.parametrize("degrees", [1, 2, 3, 4, 5, 8, 19])
def test_chi_square_agrees_with_scipy(ask, degrees):
    # scipy.stats.chi2.sf; sums of a few terms, so only rounding may differ.
    points = pd.DataFrame({"x": np.linspace(0, 60, 241), "degrees": degrees})
    answer = ask("select x, {{ chi_square_above('x', 'degrees') }} as p from points", points=points)
    assert answer.p.to_numpy() == pytest.approx(stats.chi2.sf(answer.x, degrees), rel=1e-12)


def test_what_is_unknown_stays_unknown(ask):
    answer = ask(
        """
        select
            {{ normal_below('x') }} as below,
            {{ two_sided_p('x') }} as p,
            {{ chi_square_above('x', '2') }} as above,
            {{ chi_square_above('1e0', 'cast(x as integer)') }} as above_unknown
        from points
        """,
        points=pd.DataFrame({"x": [None]}, dtype=float),
    )
    assert answer.isna().all(axis=None)
