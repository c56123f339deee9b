"""The two curves that are set against each other are the same, and would be seen to differ."""

import duckdb
import pytest

from tests.benchmarks import curves, macros


@pytest.fixture(autouse=True)
def once(monkeypatch):
    monkeypatch.setattr(curves, "REPEATS", 1)


def test_the_macro_and_lifelines_give_the_same_curves():
    by_macro, by_lifelines = curves.curve_times(20_000)
    assert by_macro.seconds > 0
    assert by_lifelines.seconds > 0


def test_a_curve_that_differs_is_refused(monkeypatch):
    by_hand = curves.by_lifelines
    monkeypatch.setattr(
        curves, "by_lifelines", lambda rows: by_hand(rows.assign(days=rows["days"] + 1))
    )
    with pytest.raises(ValueError, match=r"^survival differs in "):
        list(curves.curve_times(20_000))


def test_there_are_as_many_groups_as_it_says():
    with duckdb.connect() as connection:
        connection.execute(macros.courses_sql(20_000))
        [(groups,)] = connection.sql(
            "select count(distinct (site, protocol, grade)) from courses"
        ).fetchall()
    assert groups == macros.GROUPS
