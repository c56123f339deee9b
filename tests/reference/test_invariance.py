"""What must leave every figure as it is: the order of the rows, the names of sites and patients,
and other groups beside one's own."""

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.render import MACROS as MACRO_FILES

PROPERTY = settings(max_examples=6, deadline=None)
TWO_ARMS = "('rows', ['site'], 'treated', 'band', cluster='patient_key')"
# Each relation macro over the columns of `cases`, and what names a row of its answer in a site.
MACROS = {
    "kaplan_meier": ("{{ kaplan_meier('rows', ['site'], cluster='patient_key') }}", ["time"]),
    "aalen_johansen": (
        "{{ aalen_johansen('rows', ['site'], cluster='patient_key') }}",
        ["cause", "time"],
    ),
    "log_rank": ("{{ log_rank('rows', ['site'], 'treated', strata=['band']) }}", []),
    "restricted_mean": (
        "with curves as ({{ kaplan_meier('rows', ['site']) }}) "
        "select * from ({{ restricted_mean('curves', ['site'], 5) }}) as means",
        [],
    ),
    "direct_standardisation": (
        "{{ direct_standardisation('rows', ['site'], 'band', 'standard') }}",
        [],
    ),
    "indirect_standardisation": (
        "{{ indirect_standardisation('rows', ['site'], site='clinic', stratum='band') }}",
        ["clinic"],
    ),
    "rate_combination": (
        "{{ rate_combination('rows', ['site'], ['band', 'treated'], weight='weight') }}",
        [],
    ),
    "standardised_difference": ("{{ standardised_difference" + TWO_ARMS + " }}", []),
    "mantel_haenszel": ("{{ mantel_haenszel" + TWO_ARMS + " }}", []),
    "homogeneity": ("{{ homogeneity" + TWO_ARMS + " }}", []),
    "overdispersion": (
        "{{ overdispersion('rows', ['site'], 'responders', 'expected', 'days', 2) }}",
        [],
    ),
    "funnel_limits": (
        "{{ funnel_limits('rows', ['site', 'row'], 'days', 'expected / days') }}",
        ["row"],
    ),
    "prediction_limits": (
        "{{ prediction_limits('rows', ['site', 'row'], 'days', 'responders', 'days') }}",
        ["row"],
    ),
    "benjamini_hochberg": ("{{ benjamini_hochberg('rows', 'p_value', ['site']) }}", ["row"]),
    "by_chance": (
        "{{ by_chance('rows', ['site'], '10 * days', '7.3', '34.5', '18', '0.82', 'days') }}",
        ["session_number"],
    ),
    "thermal_dose": (
        "with logged as (select site, clinic, cast(row as decimal(18, 6)) as t_s, "
        "cast(38 + days as decimal(18, 6)) as temp_c from rows), "
        "samples as ({{ with_next_samples('logged', ['site', 'clinic']) }}), "
        "bands as (select distinct site, clinic, cast(40 as decimal(18, 6)) as band_low_c, "
        "cast(43 as decimal(18, 6)) as band_high_c from rows) "
        "select * from ({{ thermal_dose('samples', 'bands', ['site', 'clinic']) }}) as doses",
        ["clinic"],
    ),
    "clustered_totals": (
        "select * from ({{ clustered_totals("
        "'rows', ['band'], ['clinic'], ['responders', 'n'], 'responders', 'n') }}) as totals "
        "where site <> 'all'",
        ["band", "clinic"],
    ),
}

cases = st.lists(
    st.tuples(
        st.integers(0, 6),
        st.integers(1, 6),
        st.integers(0, 2),
        st.booleans(),
        st.sampled_from(["mild", "severe"]),
        st.sampled_from(["elm", "fir"]),
        st.integers(0, 1),
    ),
    min_size=1,
    max_size=30,
).map(
    lambda rows: pd.DataFrame(
        rows, columns=["patient", "days", "cause", "treated", "band", "clinic", "responders"]
    ).assign(
        cause=lambda rows: [1, *rows.cause[1:]],
        event=lambda rows: rows.cause == 1,
        n=1,
        row=range(len(rows)),
        p_value=lambda rows: (rows.days + 10 * rows.patient) / 100,
        expected=lambda rows: rows.days / 3,
        weight=lambda rows: rows.treated.map({True: 0.5, False: -0.25}),
        standard=lambda rows: rows.band.map({"mild": 3, "severe": 2}),
        patient_key=lambda rows: "p" + rows.patient.astype(str),
    )
)


def figures(answer, site, keys):
    """A site's rows in the order of their names, without the site's own name."""
    rows = answer[answer.site == site].sort_values(keys) if keys else answer[answer.site == site]
    return rows.drop(columns=["site", "patient_key"], errors="ignore").reset_index(drop=True)


@pytest.mark.parametrize("macro", MACROS)
@given(rows=cases, random=st.randoms(use_true_random=False))
@PROPERTY
def test_order_names_and_other_groups_change_nothing(ask, macro, rows, random):
    # Bit for bit: doubles added in the order of arrival would not give that.
    sql, keys = MACROS[macro]
    order = list(range(len(rows)))
    random.shuffle(order)
    renamed = rows.assign(site="zelkova", patient_key="q" + (9 - rows.patient).astype(str))
    many = pd.concat([rows.iloc[order].assign(site="birch"), renamed, rows.assign(site="cedar")])
    alone = figures(ask(sql, rows=rows.assign(site="alder")), "alder", keys)
    together = ask(sql, rows=many)
    for site in ("birch", "zelkova", "cedar"):
        pd.testing.assert_frame_equal(figures(together, site, keys), alone, check_exact=True)


def test_every_relation_macro_is_held_to_it():
    """A new method must be put to the same test."""
    expressions = {
        "chi_square", "counting", "effective_sample_size", "exact", "exact_sum", "log_log",
        "newcombe", "noise", "normal", "normal_points", "running", "two_running", "wilson",
    }  # fmt: skip
    by_hand = {"arms_by_stratum", "lost_by_noise"}  # a step of three others; a row for each row
    files = {file.stem for file in (MACRO_FILES / "statistics").glob("*.sql")}
    assert files - expressions - by_hand == set(MACROS) - {"clustered_totals"}
