"""Thermal dose against its defining paper's arithmetic, analytic integrals and plain numpy."""

from decimal import Decimal
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.contract import TEMPERATURES

SQL = """
    with typed as (
        select
            log,
            cast(t_s as decimal(18, 6)) as t_s,
            cast(temp_c as decimal(18, 6)) as temp_c
        from rows
    ),
    samples as ({{ with_next_samples('typed', ['log']) }}),
    bands as (
        select distinct
            log,
            cast(40 as decimal(18, 6)) as band_low_c,
            cast(43 as decimal(18, 6)) as band_high_c
        from rows
    ),
    doses as ({{ thermal_dose('samples', 'bands', ['log']) }})
    select
        log, samples, cem43_minutes,
        cast(columns(* exclude (log, samples, cem43_minutes)) as double)
    from doses
    order by log
"""


def doses_of(ask, *logs):
    """The dose of each log, a list of (t_s, temp_c) pairs."""
    rows = pd.concat(
        pd.DataFrame(log, columns=["t_s", "temp_c"]).assign(log=number)
        for number, log in enumerate(logs)
    )
    return list(ask(SQL, rows=rows).itertuples(index=False))


def dose_of(ask, log):
    return doses_of(ask, log)[0]


def held(*spells):
    """A sample a second while each temperature is held for its minutes, and one at the end."""
    temperatures = [temperature for temperature, minutes in spells for _ in range(60 * minutes)]
    return list(enumerate([*temperatures, temperatures[-1]]))


# Sapareto SA, Dewey WC, Int J Radiat Oncol Biol Phys 1984;10:787-800, the formula; the values are
# its arithmetic, worked out by hand: powers of two.
TABLE = [
    ([(43, 60)], 60), ([(42, 60)], 15), ([(41, 60)], 3.75), ([(40, 60)], 0.9375),
    ([(39, 60)], 0.234375), ([(42.5, 10)], 5), ([(43, 7)], 7), ([(41, 5)], 0.3125),
    ([(44, 30)], 60), ([(45, 15)], 60), ([(46, 10)], 80), ([(47, 1)], 16), ([(50, 1)], 128),
    ([(40, 7)], 0.109375), ([(42, 10), (44, 10)], 22.5),
]  # fmt: skip


def test_table_of_constant_temperatures_exactly(ask):
    got = doses_of(ask, *(held(*spells) for spells, _ in TABLE))
    assert [dose.cem43_minutes for dose in got] == [minutes for _, minutes in TABLE]


def test_a_temperature_between_degrees(ask):
    # 60 x 2 ^ 0.5; given to six places in the same table.
    assert dose_of(ask, held((43.5, 60))).cem43_minutes == pytest.approx(84.852814, abs=5e-7)


def ramp(low, high, seconds, per_second):
    steps = seconds * per_second
    return [(n / per_second, low + (high - low) * n / steps) for n in range(steps + 1)]


def integral_of_ramp(low, high, seconds, r):
    """Integral of r ^ (43 - T) dt in minutes, T linear from low to high on one side of 43 C."""
    slope = (high - low) / (seconds / 60)
    return (r ** (43 - high) - r ** (43 - low)) / (-np.log(r) * slope)


@pytest.mark.parametrize(
    ("low", "high", "r"), [(34, 43, 0.25), (43, 46, 0.5), (46, 43, 0.5), (43, 34, 0.25)]
)
def test_linear_ramp_near_its_integral(ask, low, high, r):
    # At 10 samples a second the left rule is off by at most half a step's change: 9 C in 1800 s
    # changes R by 0.07 % a step, 3 C by 0.02 %.
    got = dose_of(ask, ramp(low, high, 1800, 10)).cem43_minutes
    assert got == pytest.approx(integral_of_ramp(low, high, 1800, r), rel=1e-3)
    assert got != pytest.approx(integral_of_ramp(low, high, 1800, r), rel=1e-6)


def test_band_holds_both_ends(ask):
    at = dose_of(ask, [(0, 40), (1, 43), (2, 39.999999), (3, 43.000001), (4, 43)])
    assert (at.seconds_in_band, at.longest_run_s, at.seconds_above_43) == (2, 2, 1)


def test_five_seconds_are_no_gap_and_more_are(ask):
    whole = dose_of(ask, [(0, 41), (5, 41), (10, 41)])
    broken = dose_of(ask, [(0, 41), (5, 41), (10.000001, 41), (12, 41)])
    assert (whole.seconds_in_band, whole.longest_run_s) == (10, 10)
    assert broken.seconds_in_band == 5 + 5 + 1.999999
    assert broken.longest_run_s == 10
    assert whole.cem43_minutes == pytest.approx(10 / 16 / 60, rel=1e-14)


def test_a_gap_counts_five_seconds_then_the_run_ends(ask):
    got = dose_of(ask, [(0, 41), (1, 41), (61, 41), (62, 41), (63, 41), (64, 44), (164, 44)])
    assert got.seconds_in_band == 1 + 5 + 3
    assert got.longest_run_s == 6
    assert got.seconds_above_43 == 5
    assert got.cem43_minutes == pytest.approx((9 / 16 + 5 * 2) / 60, rel=1e-14)


def test_last_sample_adds_nothing(ask):
    without, with_last = doses_of(ask, [(0, 39), (1, 39)], [(0, 39), (1, 44)])
    assert without[2:5] == with_last[2:5]
    assert (with_last.peak_c, with_last.seconds_above_43, with_last.longest_run_s) == (44, 0, 0)


def test_order_of_arrival_does_not_matter(ask):
    log = ramp(38, 45, 240, 2)
    shuffled = [log[at] for at in np.random.default_rng(1).permutation(len(log))]
    sorted_dose, shuffled_dose = doses_of(ask, log, shuffled)
    assert sorted_dose[1:] == shuffled_dose[1:]


def test_one_sample_gives_null(ask):
    one, two = doses_of(ask, [(130, 42)], [(130, 42), (131, 42)])
    assert pd.isna(list(one[2:])).all()
    assert one.samples == 1
    assert two[2:] == (1 / 4 / 60, 1, 1, 42, 0, 42)


def test_no_dose_above_what_a_lid_can_have(ask):
    longest = int(TEMPERATURES.column("t_s").high)
    hottest = [(second, 75) for second in range(0, longest + 1, 5)]
    at, above = doses_of(ask, hottest, [(0, 75.000001), (1, 43), (2, 900_000_000)])
    assert at.cem43_minutes == pytest.approx(longest * 2**32 / 60, rel=1e-14)
    assert pd.isna(above.cem43_minutes)
    assert (above.peak_c, above.seconds_in_band) == (900_000_000, 1)


def test_plateau_begins_two_minutes_after_the_start(ask):
    got, short = doses_of(
        ask,
        [(0, 33), (119.9, 33), (120, 40), (122, 43), (126, 50)],
        [(0, 33), (119.9, 40)],
    )
    assert got.plateau_c == (2 * 40 + 4 * 43) / 6
    assert pd.isna(short.plateau_c)


def plainly(log):
    """Definition 15 sample by sample, in whole milliseconds and numpy's doubles."""
    log = sorted(log)
    if len(log) < 2:
        return None
    dose = in_band = above = run = longest = 0
    for (at, temperature), (then, _) in pairwise(log):
        step = min(then - at, 5000)
        dose += step * np.power(0.5 if temperature >= 43 else 0.25, 43 - temperature)
        above += step * (temperature > 43)
        if 40 <= temperature <= 43:
            in_band += step
            run += step
        else:
            run = 0
        longest = max(longest, run)
        if then - at > 5000:
            run = 0
    return dose / 60_000, in_band / 1000, longest / 1000, max(t for _, t in log), above / 1000


irregular_logs = st.lists(
    st.tuples(
        st.integers(0, 40_000).map(lambda n: n - n % 250),
        st.sampled_from([36, 39.99, 40, 41.3, 42.75, 43, 43.01, 46.5]),
    ),
    min_size=1,
    max_size=40,
    unique_by=lambda sample: sample[0],
)


@settings(max_examples=60, deadline=None)
@given(logs=st.lists(irregular_logs, min_size=1, max_size=8))
def test_irregular_logs_as_worked_out_sample_by_sample(ask, logs):
    got = doses_of(
        ask, *([(Decimal(at) / 1000, temperature) for at, temperature in log] for log in logs)
    )
    for dose, log in zip(got, logs, strict=True):
        expected = plainly(log)
        assert dose.samples == len(log)
        if expected is None:
            assert pd.isna(dose.cem43_minutes)
        else:
            assert dose[2:7] == pytest.approx(expected, rel=1e-12)
