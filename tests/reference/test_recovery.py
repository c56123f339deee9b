"""The 95 % limits of the cohort SQL hold the rates that the invented groups were made with.

200 small groups go through `response_by_grade` at once, each as if it were a site. What they
should recover comes from a large sample of the same model, judged by other code than the models'.
"""

from pathlib import Path

import duckdb
import polars as pl
import pytest

import models
from models.render import render
from synthetic_data.expected import expected_tables, judged_courses
from synthetic_data.making import LAST_MONTH
from synthetic_data.months import Months, months_until
from synthetic_data.parameters import Parameters

SEEDS = range(1, 201)
PATIENTS = 150
MONTHS = 24
PROJECT = Path(models.__file__).parent
BY_GRADE = PROJECT / "layers/cohorts/response_by_grade.sql"
RULES = PROJECT / "seeds/response_rules.csv"


def small_group(seed: int, months: Months, parameters: Parameters) -> pl.DataFrame:
    """A group's responses as the model `responses` gives them, the seed for its site."""
    judged, _ = judged_courses(PATIENTS, seed, months, parameters)
    by_patient = pl.col("rule") == "symptoms"
    return judged.select(
        "rule",
        "protocol",
        unit=pl.when(by_patient).then(pl.lit("course")).otherwise(pl.lit("eye")),
        site=pl.lit(f"group_{seed}"),
        patient_key=pl.format("{}/{}", "site", "patient"),
        course_kind=pl.when("is_first").then(pl.lit("first")).otherwise(pl.lit("repeat")),
        in_last_12_months=pl.lit(value=False),
        is_mature=pl.lit(value=True),
        symptoms_band="symptoms",
        clinician_grade="clinician",
        glands_stage="glands",
        other_treatment=pl.lit(value=False),
        improvement=pl.lit(None, pl.Decimal(18, 6)),
        threshold=pl.lit(None, pl.Decimal(18, 6)),
        outcome=pl.when(pl.col("applies").not_())
        .then(pl.lit("not_applicable"))
        .when(pl.col("responds").is_null())
        .then(pl.lit("not_measured"))
        .when("responds")
        .then(pl.lit("responder"))
        .otherwise(pl.lit("unchanged")),
    )


def response_by_grade(responses: pl.DataFrame) -> pl.DataFrame:
    """The cohort model's own SQL over the responses; of noise nothing is known."""
    response_rules = pl.read_csv(RULES)
    unknown = pl.lit(None, pl.Float64)
    measurement_noise = response_rules.select(
        "rule", mean=unknown, spread=unknown, reliability=unknown
    )
    with duckdb.connect() as connection:
        connection.register("responses", responses.with_columns(baseline="improvement"))
        connection.register("response_rules", response_rules)
        connection.register("measurement_noise", measurement_noise)
        return connection.sql(render(BY_GRADE.read_text(encoding="utf-8"))).pl()


@pytest.mark.slow
@pytest.mark.parametrize("rule", ["symptoms", "tear_film", "glands"])
@pytest.mark.parametrize("grade", ["severe", "all"])
def test_limits_hold_the_truth_in_95_of_100_groups(
    rule: str, grade: str, recovered: pl.DataFrame
) -> None:
    """Of 200 right limits 190 hold the truth; 184 and 196 are two standard errors from that."""
    cell = recovered.filter(rule=rule, grade=grade)
    assert cell.height == len(SEEDS)
    held = cell["response_rate"].is_between(cell["rate_low"], cell["rate_high"]).mean()
    assert 0.92 <= held <= 0.98


@pytest.mark.slow
def test_limits_are_no_wider_than_they_need(recovered: pl.DataFrame) -> None:
    """A limit that always held the truth would be as wrong: half as wide, many fail."""
    middle = (recovered["rate_low"] + recovered["rate_high"]) / 2
    reach = (recovered["rate_high"] - recovered["rate_low"]) / 4
    assert ((recovered["response_rate"] - middle).abs() <= reach).mean() < 0.8


@pytest.fixture(scope="module")
def recovered() -> pl.DataFrame:
    parameters = Parameters()
    months = months_until(LAST_MONTH, MONTHS)
    groups = pl.concat(small_group(seed, months, parameters) for seed in SEEDS)
    truth, _ = expected_tables(parameters, months)
    of_all = {"protocol": "all", "course_kind": "all", "grading": "symptoms"}
    return (
        response_by_grade(groups)
        .filter(**of_all, period="all")
        .filter(pl.col("site") != "all", pl.col("evaluable") > 0)
        .select("rule", "grade", "site", "evaluable", "rate_low", "rate_high")
        .join(
            truth.filter(**of_all, site="all").select("rule", "grade", "response_rate"),
            on=["rule", "grade"],
        )
    )
