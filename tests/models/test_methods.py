"""The methods in the file give what the published tables and the reference tests say."""

from collections.abc import Iterator
from datetime import date
from typing import Any

import duckdb
import pandas as pd
import pytest
from lifelines.datasets import load_leukemia

from models.catalog import describe
from models.methods import methods
from pipeline.workspace import Release
from tests.models.conftest import SETTINGS
from tests.reference.test_mantel_haenszel import ADMISSIONS

Connection = duckdb.DuckDBPyConnection
RESPONSES = """
create temp table mine as
select *, course_kind = 'first' as is_first
from courses.responses
where is_mature and outcome in ('responder', 'unchanged', 'worsened')
"""


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Connection]:
    """A warehouse with nothing in it but the methods, as analysts open one: read only."""
    release = Release(tmp_path_factory.mktemp("empty"), SETTINGS, date(2025, 12, 31))
    describe(release)
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        yield connection


def ask(connection: Connection, sql: str, **tables: pd.DataFrame) -> pd.DataFrame:
    for name, rows in tables.items():
        connection.register("given", rows)
        connection.execute(f"create or replace temp table {name} as from given")
    return connection.sql(sql).df()


def test_own_courses_get_the_limits_of_response_by_grade(demo_warehouse: Connection) -> None:
    demo_warehouse.execute(RESPONSES)
    published, own = (
        demo_warehouse.sql(sql).fetchall()
        for sql in (
            "select rule, site, evaluable, responders, response_rate, rate_low, rate_high "
            "from cohorts.response_by_grade where grade = 'all' and grading = 'symptoms' "
            "and protocol = 'all' and course_kind = 'all' and period = 'all' and site <> 'all' "
            "and evaluable > 0 order by all",
            "select cohort[1], cohort[2], n, responders, rate, rate_low, rate_high "
            "from clustered_rate('mine', (rule, site), outcome = 'responder', "
            "same_subject := patient_key) order by all",
        )
    )
    assert own == published
    assert any(patients < n for n, patients in patients_of(demo_warehouse))


def patients_of(connection: Connection) -> list[tuple[int, int]]:
    return connection.sql(
        "select n, patients from clustered_rate('mine', rule, outcome = 'responder', "
        "same_subject := patient_key)"
    ).fetchall()


def test_own_intervals_get_the_curve_of_maintenance_return(demo_warehouse: Connection) -> None:
    demo_warehouse.execute(
        "create temp table intervals as select patient_key, "
        "case when left_on is not null or status = 'new_course' then 2 "
        "when ended_on is not null then 1 else 0 end as cause, "
        "coalesce(left_on - started_on, days) as length from courses.maintenance_intervals"
    )
    published, own = (
        demo_warehouse.sql(sql).fetchall()
        for sql in (
            "select days, at_risk, returned, returned_by, returned_low, returned_high "
            "from cohorts.maintenance_return where site = 'all' and protocol = 'all' order by days",
            "select time, at_risk, events, incidence, incidence_low, incidence_high "
            "from aalen_johansen('intervals', 'all', length, cause, same_subject := patient_key) "
            "where cause = 1 and events > 0",
        )
    )
    assert len(published) > 10
    assert own == published


def test_exact_limits_are_those_of_the_safety_table(demo_warehouse: Connection) -> None:
    [(rows, other)] = demo_warehouse.sql(
        "select count(*), count(*) filter (where "
        "exact_low(events, asked) * 100e0 is distinct from rate_low "
        "or exact_high(events, asked) * 100e0 is distinct from rate_high) from cohorts.safety"
    ).fetchall()
    assert rows > 1000
    assert other == 0


def test_protocols_are_standardised_as_published(demo_warehouse: Connection) -> None:
    demo_warehouse.execute(RESPONSES)
    rates = (
        "crude_rate, reference_crude_rate, share_in_overlap, standardised_rate, "
        "reference_standardised_rate"
    )
    pairs = demo_warehouse.sql(
        "select protocol, reference_protocol from cohorts.protocol_comparison where rule = 'glands'"
    ).fetchall()
    assert pairs
    for protocol, reference in pairs:
        demo_warehouse.execute(
            "create or replace temp table pair as from mine where rule = 'glands' "
            f"and protocol in ('{protocol}', '{reference}')"
        )
        published, own = (
            demo_warehouse.sql(sql).fetchall()
            for sql in (
                f"select {rates} from cohorts.protocol_comparison "
                f"where rule = 'glands' and protocol = '{protocol}'",
                f"select {rates} from standardised_difference('pair', 'all', "
                f"protocol = '{protocol}', nullif(symptoms_band, 'unknown'), "
                "outcome = 'responder', same_subject := patient_key)",
            )
        )
        assert own == published


def test_kaplan_meier_gives_the_six_mp_trial(empty: Connection) -> None:
    # As in tests/reference/test_kaplan_meier.py: Freireich EJ et al., Blood 1963;21:699-716.
    curve = ask(
        empty, "from kaplan_meier('trial', Rx, t, status) where events > 0", trial=load_leukemia()
    )
    treated = curve[curve.cohort == 0]
    assert treated.time.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert treated.survival.tolist() == pytest.approx(
        [0.85714, 0.80672, 0.75294, 0.69020, 0.62745, 0.53782, 0.44818], abs=1e-5
    )
    assert treated.survival_low.tolist() == pytest.approx(
        [0.6197, 0.5632, 0.5032, 0.4316, 0.3675, 0.2678, 0.1881], abs=1e-4
    )


def test_mantel_haenszel_gives_the_admissions_of_r(empty: Connection) -> None:
    # As in tests/reference/test_mantel_haenszel.py: R 4.2.2, mantelhaen.test(UCBAdmissions).
    row = ask(
        empty,
        "from mantel_haenszel('applied', 'all', treated, band, responders, n)",
        applied=ADMISSIONS,
    ).iloc[0]
    assert row.chi_square_corrected == pytest.approx(1.4269462285866883, rel=1e-12)
    assert (row.odds_ratio, row.odds_ratio_low, row.odds_ratio_high) == pytest.approx(
        (0.90469682825862308, 0.77190736175935049, 1.06032976443665561), rel=1e-12
    )


@pytest.mark.parametrize(
    ("call", "value", "tolerance"),
    [
        ("newcombe_low(56, 70, 48, 80)", 0.0524, 5.1e-5),  # Newcombe RG, Stat Med 1998;17:873-890
        ("newcombe_high(56, 70, 48, 80)", 0.3339, 5.1e-5),
        ("wilson_low(0, 10)", 0, 0),
        ("wilson_high(10, 10)", 1, 0),
        ("wilson_low(10, 10)", 1 / (1 + 1.959963984540054**2 / 10), 1e-15),  # n / (n + z^2)
        ("exact_high(0, 100)", 0.0368887945411394, 1e-15),  # -ln(.025) / 100
        ("two_sided_p(1.959963984540054)", 0.05, 1e-15),
        ("regression_to_the_mean(40, 30, 0.82)", 1.8, 1e-14),
    ],
)
def test_a_number_is_the_references(
    empty: Connection, call: str, value: float, tolerance: float
) -> None:
    [(found,)] = empty.sql(f"select {call}").fetchall()
    assert found == pytest.approx(value, rel=0, abs=tolerance)


@pytest.mark.parametrize("method", methods(), ids=lambda method: method.name)
def test_every_example_runs_as_it_stands(demo_warehouse: Connection, method: Any) -> None:
    for name, rows in {
        "my_courses": "select *, final_days as days, outcome = 'worsened' as lost "
        "from courses.responses where is_mature and rule = 'symptoms' and outcome in "
        "('responder', 'unchanged', 'worsened')",
        "my_intervals": "select *, cast(ended_on is not null as integer) as cause "
        "from courses.maintenance_intervals",
        "my_log": "select 'one' as session_key, 'left' as eye, range as t_s, 42 as temp_c "
        "from range(200)",
    }.items():
        demo_warehouse.execute(f"create temp table {name} as {rows}")
    found = demo_warehouse.sql(method.example)
    assert found.fetchall()
    if method.is_table:
        columns = method.gives.split(": ", 1)[1]
        assert all(name in columns for name in found.columns)


@pytest.mark.parametrize("method", [one for one in methods() if one.is_table], ids=lambda m: m.name)
def test_no_parameter_is_called_as_what_it_is_put_among(method: Any) -> None:
    """DuckDB replaces a parameter's name wherever it stands."""
    asked, body = method.sql.split(") from (", 1)
    columns = {part.split()[0] for part in asked.split(" as ")[2:]}
    words = {word.strip("(),.") for word in body.split()}
    assert columns.isdisjoint(one.name for one in method.parameters)
    assert words.isdisjoint(one.name for one in method.parameters)


def test_a_table_without_the_columns_gets_duckdbs_own_words(empty: Connection) -> None:
    rows = pd.DataFrame({"site": ["alder"], "days": [3]})
    with pytest.raises(duckdb.BinderException, match='"lost" not found'):
        ask(empty, "from kaplan_meier('bare', site, days, lost)", bare=rows)
    with pytest.raises(duckdb.CatalogException, match="gone does not exist"):
        ask(empty, "from kaplan_meier('gone', site, days, lost)")
    with pytest.raises(duckdb.BinderException, match="does not support the supplied arguments"):
        ask(empty, "from kaplan_meier('bare', site)")


def test_each_method_is_described_where_it_stands(empty: Connection) -> None:
    told = empty.sql(
        "select distinct function_name, comment from duckdb_functions() "
        "where not internal and schema_name = 'main'"
    ).fetchall()
    assert {name for name, _ in told} == {method.name for method in methods()}
    assert all(comment for _, comment in told)
    listed = empty.sql("select method, worked_out from catalog.methods").fetchall()
    assert {name for name, _ in listed} == {name for name, _ in told}
    assert all(
        "Source:" in worked or "Assumes" in worked or len(worked) > 100 for _, worked in listed
    )
