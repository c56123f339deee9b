import polars as pl
import pytest

from synthetic_data.expected import (
    SYMPTOM_BANDS,
    banded,
    expected_tables,
    final_value,
    judge,
    latest_before,
)
from synthetic_data.months import months_until
from synthetic_data.parameters import Parameters
from synthetic_data.simulation import plan_chunks, simulate
from tests.synthetic_data.conftest import Group

PARAMETERS = Parameters()
MONTHS = months_until("2026-10", 24)
CELL = {"grading": "symptoms", "site": "all", "protocol": "all", "course_kind": "all"}

FIRST, LAST = 1000, 1042
COURSE = pl.DataFrame(
    {"course": [0], "patient": [5], "first": [FIRST], "last": [LAST], "until": [LAST + 120]}
)


def values(*days_and_values: tuple[int, float]) -> pl.DataFrame:
    days, found = zip(*days_and_values, strict=True)
    return pl.DataFrame({"patient": 5, "eye": "both", "day": days, "value": found})


@pytest.mark.parametrize(
    ("measured", "baseline"),
    [
        ([(FIRST - 91, 1.0)], []),
        ([(FIRST - 90, 1.0)], [1.0]),
        ([(FIRST - 90, 1.0), (FIRST, 2.0), (FIRST + 1, 3.0)], [2.0]),
    ],
)
def test_baseline_is_the_latest_of_ninety_days(
    measured: list[tuple[int, float]], baseline: list[float]
) -> None:
    assert latest_before(COURSE, values(*measured))["value"].to_list() == baseline


@pytest.mark.parametrize(
    ("measured", "final"),
    [
        ([(LAST + 13, 1.0)], []),
        ([(LAST + 14, 1.0)], [1.0]),
        ([(LAST + 120, 1.0)], [1.0]),
        ([(LAST + 121, 1.0)], []),
        ([(LAST + 55, 1.0), (LAST + 65, 2.0)], [2.0]),
        ([(LAST + 56, 1.0), (LAST + 65, 2.0)], [1.0]),
    ],
)
def test_final_value_is_the_nearest_to_day_sixty(
    measured: list[tuple[int, float]], final: list[float]
) -> None:
    assert final_value(COURSE, values(*measured))["value"].to_list() == final


def test_bands_are_half_open() -> None:
    """Edges as in the half-open rule over Miller KL et al., Arch Ophthalmol 2010;128(1):94-101."""
    scores = [0.0, 12.5, 13.0, 22.9, 23.0, 32.9, 33.0, 100.0]
    table = pl.DataFrame({"course": range(8), "eye": "both", "value": scores})
    assert banded(table, SYMPTOM_BANDS)["band"].to_list() == [
        "normal",
        "normal",
        "mild",
        "mild",
        "moderate",
        "moderate",
        "severe",
        "severe",
    ]


def test_another_sample_agrees_within_its_error() -> None:
    final, _ = expected_tables(PARAMETERS, MONTHS)
    chunk = plan_chunks(60_000, 99, MONTHS, PARAMETERS)[0]
    judged, _ = judge(chunk, simulate(chunk, PARAMETERS), PARAMETERS)
    for rule in ("symptoms", "tear_film", "glands"):
        cell = final.row(
            by_predicate=(pl.col("rule") == rule)
            & pl.all_horizontal(
                pl.col(name) == value for name, value in (CELL | {"site": "alder"}).items()
            )
            & (pl.col("grade") == "all"),
            named=True,
        )
        found = judged.filter(rule=rule)["responds"].drop_nulls()
        error = (found.mean() * (1 - found.mean()) / found.len()) ** 0.5
        assert abs(found.mean() - cell["response_rate"]) < 4 * (cell["response_rate_error"] + error)


def test_those_measured_respond_more_than_all_would() -> None:
    final, _ = expected_tables(PARAMETERS, MONTHS)
    totals = final.filter(grade="all", **CELL)
    assert totals.height == 3
    assert (totals["response_rate"] > totals["rate_if_all_measured"] + 0.01).all()


def test_tables_hold_every_site_protocol_and_grade() -> None:
    final, by_session = expected_tables(PARAMETERS, MONTHS)
    symptoms = final.filter(rule="symptoms", grading="symptoms")
    assert set(symptoms["site"]) == {site.code for site in PARAMETERS.sites} | {"all"}
    assert set(symptoms["protocol"]) == {p.code for p in PARAMETERS.protocols} | {"all"}
    assert set(symptoms["grade"]) == {"mild", "moderate", "severe", "all"}  # not in normal
    assert set(symptoms["course_kind"]) == {"first", "all"}
    assert (
        not final.select("rule", "grading", "grade", "site", "protocol", "course_kind")
        .is_duplicated()
        .any()
    )
    ends = by_session.group_by("protocol").agg(pl.col("session_number").max())
    assert dict(ends.iter_rows()) == {
        "four_fortnightly": 4,
        "three_monthly": 3,
        "five_weekly": 5,
        "all": 3,
    }
    assert final["response_rate"].is_between(0, 1).all()
    assert by_session["response_share"].is_between(0, 1).all()


def test_totals_are_the_sums_of_their_parts() -> None:
    final, _ = expected_tables(PARAMETERS, MONTHS)
    rows = final.filter(rule="glands", grading="symptoms", protocol="all", course_kind="all")
    total = rows.filter(site="all", grade="all")["courses"].item()
    assert rows.filter(pl.col("site") != "all", grade="all")["courses"].sum() == total
    assert rows.filter(pl.col("grade") != "all", site="all")["courses"].sum() == total


def test_a_group_without_mature_courses_expects_nothing() -> None:
    final, by_session = expected_tables(PARAMETERS, months_until("2026-10", 2), 500)
    assert final.is_empty()
    assert by_session.is_empty()


def test_truth_is_written_beside_the_exports(clean: Group) -> None:
    final, by_session = expected_tables(PARAMETERS, MONTHS)
    assert clean.truth("expected_response").equals(final)
    assert clean.truth("expected_by_session").equals(by_session)
    courses = pl.read_parquet(clean.root / "truth/courses/*.parquet")
    patients = pl.read_parquet(clean.root / "truth/patients/*.parquet")
    assert patients.height == 700
    assert courses.join(patients, on=["site", "patient_id"], how="anti").is_empty()
    exported = pl.read_csv(clean.root / "exports/alder/*/sessions.csv", infer_schema=False)
    begun = courses.filter(site="alder").select("patient_id").unique()
    assert set(exported["patient_id"]) == set(begun["patient_id"])
