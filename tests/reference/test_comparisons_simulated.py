"""Comparisons on simulated groups: errors where nothing differs, bias where bands are mixed."""

import numpy as np
import pandas as pd
import pytest

BANDS = np.array(["mild", "moderate", "severe"])
# Chance of responding by band; the severe respond less.
RESPONSE = np.array([0.65, 0.5, 0.3])
DIFFERENCES = """
    {{ standardised_difference('courses', ['simulation'], 'treated', 'band', cluster='id') }}
"""
ADJUSTED = """
    with
    differences as (
        {{ standardised_difference(
            'courses', ['simulation', 'rule'], 'treated', 'band', cluster='id'
        ) }}
    )

    select * from ({{ benjamini_hochberg('differences', 'p_value', ['simulation']) }}) as adjusted
"""


def simulated(groups, rules, patients, effect, severe_to_treated, seed):
    """Both eyes of each patient, alike within the patient, under `rules` rules in each group."""
    chance = np.random.default_rng(seed)
    shape = (groups, rules, patients)
    band = chance.choice(3, shape, p=[0.3, 0.4, 0.3])
    to_treated = np.where(band == 2, severe_to_treated, 1 - severe_to_treated)
    treated = chance.random(shape) < to_treated
    # The two eyes respond together half of the time, else each by its own chance.
    rate = RESPONSE[band] + effect * treated
    together = chance.random(shape) < 0.5
    first = chance.random(shape) < rate
    second = np.where(together, first, chance.random(shape) < rate)
    simulation, rule, patient = np.indices(shape)
    return pd.DataFrame(
        {
            "simulation": simulation.ravel(),
            "rule": rule.ravel(),
            "id": patient.ravel(),
            "band": BANDS[band].ravel(),
            "treated": treated.ravel(),
            "responders": (first.astype(int) + second).ravel(),
            "n": 2,
        }
    )


@pytest.mark.slow
def test_where_nothing_differs_p_is_below_five_in_a_hundred_so_often(ask):
    courses = simulated(500, rules=4, patients=150, effect=0.0, severe_to_treated=0.5, seed=3)
    answer = ask(ADJUSTED, courses=courses)
    assert len(answer) == 500 * 4
    assert 0.03 <= (answer.p_value < 0.05).mean() <= 0.07
    assert (answer.groupby("simulation").p_adjusted.min() < 0.05).mean() <= 0.07


@pytest.mark.slow
@pytest.mark.parametrize("effect", [0.0, 0.15])
def test_standardising_undoes_what_sending_the_severe_to_one_protocol_does(ask, effect):
    courses = simulated(2000, rules=1, patients=300, effect=effect, severe_to_treated=0.8, seed=4)
    answer = ask(DIFFERENCES, courses=courses)
    crude = answer.crude_rate - answer.reference_crude_rate
    assert crude.mean() < effect - 0.1
    assert answer.difference.mean() == pytest.approx(effect, abs=0.01)
    # 95 % where patients are many; the linearised error is a little small where a cell has twenty.
    covered = (answer.difference_low <= effect) & (effect <= answer.difference_high)
    assert 0.92 <= covered.mean() <= 0.98


@pytest.mark.slow
def test_mantel_haenszel_and_homogeneity_where_the_effect_is_one_for_all_bands(ask):
    courses = simulated(2000, rules=1, patients=300, effect=0.1, severe_to_treated=0.7, seed=5)
    for_all = "('courses', ['simulation'], 'treated', 'band', cluster='id')"
    pooled = ask("{{ mantel_haenszel" + for_all + " }}", courses=courses)
    z = (pooled.difference - 0.1) / pooled.difference_se
    assert 0.92 <= (z.abs() <= 1.959964).mean() <= 0.98
    alike = ask("{{ homogeneity" + for_all + " }}", courses=courses)
    assert 0.03 <= (alike.p_value < 0.05).mean() <= 0.07
