"""Adjusted p-values against the paper's example and scipy."""

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

ADJUSTED = "{{ benjamini_hochberg('tests', 'p_value') }} order by place"
BY_RULE = "{{ benjamini_hochberg('tests', 'p_value', ['rule']) }} order by place"

# Benjamini Y, Hochberg Y, J R Stat Soc B 1995;57:289-300.
PAPER = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
    0.6528, 0.7590, 1,
]  # fmt: skip


def listed(values, **columns):
    return pd.DataFrame({"p_value": values, "place": range(len(values)), **columns})


def test_the_papers_example(ask):
    # Four are rejected at .05 (printed), by Bonferroni three. The adjusted values are recomputed,
    # six places.
    answer = ask(ADJUSTED, tests=listed(PAPER))
    assert (answer.p_adjusted <= 0.05).sum() == 4
    assert (answer.p_value <= 0.05 / 15).sum() == 3
    assert answer.p_adjusted[:9].tolist() == pytest.approx(
        [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765], abs=5.1e-7
    )


@given(st.lists(st.one_of(st.floats(0, 1), st.sampled_from([0.01, 0.04])), min_size=1, max_size=30))
@settings(max_examples=12, deadline=None)
def test_agrees_with_scipy(ask, values):
    # scipy.stats.false_discovery_control.
    answer = ask(ADJUSTED, tests=listed(values))
    assert answer.p_adjusted.to_numpy() == pytest.approx(
        stats.false_discovery_control(values), abs=1e-14
    )


def test_comparisons_that_were_withheld_are_not_counted(ask):
    answer = ask(ADJUSTED, tests=listed([0.01, None, 0.04, None]))
    assert answer.p_adjusted.isna().tolist() == [False, True, False, True]
    assert answer.p_adjusted[[0, 2]].tolist() == pytest.approx([0.02, 0.04])


def test_groups_are_adjusted_apart(ask):
    answer = ask(BY_RULE, tests=listed([0.01, 0.02, 0.03], rule=["a", "b", "a"]))
    assert answer.p_adjusted.tolist() == pytest.approx([0.02, 0.02, 0.03])
    assert answer.rule.tolist() == ["a", "b", "a"]


def test_nothing_to_adjust(ask):
    assert ask(ADJUSTED, tests=listed([0.5]).head(0)).empty
