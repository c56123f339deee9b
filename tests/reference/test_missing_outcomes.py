"""Missing outcomes on simulated groups: the bounds hold what would have been seen with nobody
missing, whoever drops out.

200 groups go through `response_by_grade` at once, each as if it were a site: once complete, and
once with outcomes missing more often where the course responded, or where it did not.
"""

from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest

import models
from models.render import render

GROUPS, COURSES, SEED = 200, 60, 20_251_125
BY_GRADE = Path(models.__file__).parent / "layers/cohorts/response_by_grade.sql"
# By band: the share of courses, and of these the share that responds.
BANDS = {"mild": (0.3, 0.65), "moderate": (0.4, 0.5), "severe": (0.3, 0.3)}
# The chance of missing the final evaluation, without a response and with one.
DROP_OUTS = {"the worse": (0.5, 0.1), "the better": (0.1, 0.5), "nearly all": (0.95, 0.9)}
CELL = ["grade", "site"]


def complete_groups() -> pl.DataFrame:
    chance = np.random.default_rng(SEED)
    shares, rates = np.array(list(BANDS.values())).T
    size = GROUPS * COURSES
    band = chance.choice(len(BANDS), size, p=shares)
    responds = chance.random(size) < rates[band]
    return pl.DataFrame(
        {
            "rule": "symptoms",
            "unit": "course",
            "site": [f"group_{number // COURSES}" for number in range(size)],
            "patient_key": [str(number) for number in range(size)],
            "protocol": "four",
            "course_kind": "first",
            "in_last_12_months": False,
            "is_mature": True,
            "symptoms_band": np.array(list(BANDS))[band],
            "clinician_grade": "unknown",
            "glands_stage": pl.Series([None] * size, dtype=pl.String),
            "other_treatment": False,
            "baseline": pl.Series([None] * size, dtype=pl.Decimal(18, 6)),
            "improvement": pl.Series([None] * size, dtype=pl.Decimal(18, 6)),
            "threshold": pl.Series([None] * size, dtype=pl.Decimal(18, 6)),
            "outcome": np.where(responds, "responder", "unchanged"),
        }
    )


def without_drop_outs(
    complete: pl.DataFrame, unresponsive: float, responding: float
) -> pl.DataFrame:
    chance = np.random.default_rng(SEED + 1).random(complete.height)
    odds = np.where(complete["outcome"] == "responder", responding, unresponsive)
    missing = pl.Series(chance < odds)
    return complete.with_columns(
        outcome=pl.when(missing).then(pl.lit("not_measured")).otherwise("outcome")
    )


def response_by_grade(responses: pl.DataFrame) -> pl.DataFrame:
    """The cohort model's own SQL; of noise nothing is known."""
    rules = pl.DataFrame({"rule": ["symptoms"], "better": ["lower"]})
    unknown = pl.lit(None, pl.Float64)
    noise = rules.select("rule", mean=unknown, spread=unknown, reliability=unknown)
    with duckdb.connect() as connection:
        connection.register("responses", responses)
        connection.register("response_rules", rules)
        connection.register("measurement_noise", noise)
        table: pl.DataFrame = connection.sql(render(BY_GRADE.read_text(encoding="utf-8"))).pl()
    return table.filter(grading="symptoms", protocol="all", course_kind="all", period="all").filter(
        pl.col("site") != "all"
    )


@pytest.mark.parametrize("drop_out", DROP_OUTS)
def test_bounds_hold_the_rate_that_nobody_missing_would_show(drop_out: str) -> None:
    complete = complete_groups()
    truth = response_by_grade(complete).select(*CELL, truth="response_rate")
    seen = response_by_grade(without_drop_outs(complete, *DROP_OUTS[drop_out]))
    both = truth.join(seen, on=CELL, how="left")
    assert both.height == GROUPS * (len(BANDS) + 1)
    held = both["truth"].is_between(
        both["rate_if_missing_failed"], both["rate_if_missing_responded"]
    )
    assert held.all()


@pytest.mark.parametrize(("drop_out", "sign"), [("the worse", 1), ("the better", -1)])
def test_the_rate_of_those_measured_is_off_where_drop_out_depends_on_response(
    drop_out: str, sign: int
) -> None:
    """So that the bounds above are not held for want of anything to bound."""
    complete = complete_groups()
    seen = without_drop_outs(complete, *DROP_OUTS[drop_out])
    assert sign * (mean_rate(seen) - mean_rate(complete)) > 0.1


def mean_rate(responses: pl.DataFrame) -> float:
    rates = response_by_grade(responses).filter(grade="all")["response_rate"]
    return float(np.mean(rates.to_numpy()))
