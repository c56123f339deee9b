"""Rendering the project's SQL outside dbt, and the macros that differ by engine."""

import math

import duckdb
import pytest
from jinja2 import UndefinedError

from models.render import render


def answer(sql, **options):
    with duckdb.connect() as connection:
        return connection.sql(render(sql, **options)).fetchall()


def test_macros_and_variables_are_at_hand():
    assert render("select {{ var('baseline_days') }} as days", baseline_days=90) == (
        "select 90 as days"
    )
    assert answer("select {{ exact('1.5') }} = 1.5") == [(True,)]


def test_what_does_not_exist_is_refused():
    with pytest.raises(UndefinedError, match="no_such_macro"):
        render("select {{ no_such_macro() }}")


def test_a_variable_that_is_not_given_is_refused():
    with pytest.raises(KeyError, match="baseline_days"):
        render("{{ var('baseline_days') }}")


def test_an_engine_without_its_version_is_refused():
    with pytest.raises(KeyError, match="no macro sqlite__fold nor default__fold"):
        render("{{ fold('0e0', 'state', '1') }}", engine="sqlite")


def test_each_engine_gets_its_own_version():
    assert "list_reduce" in render("{{ fold('0e0', 'state', '1') }}")
    assert "aggregate" in render("{{ fold('0e0', 'state', '1') }}", engine="spark")


@pytest.mark.parametrize(("times", "total"), [(0, 1.0), (1, 2.0), (4, 11.0)])
def test_fold_works_through_the_whole_numbers(times, total):
    sql = "select {{ fold('1e0', 'state + number', TIMES) }}"
    assert answer(sql.replace("TIMES", f"'{times}'")) == [(total,)]


def test_folds_nest_and_see_columns():
    inner = "fold('0e0', 'inner_state + k', 'number', state='inner_state', number='inner_number')"
    sql = "select {{ fold('0e0', 'state + ' ~ INNER, '3') }} from (select 2e0 as k) as rows"
    assert answer(sql.replace("INNER", inner)) == [(12.0,)]


@pytest.mark.parametrize("number", [0, 1, 10, 170])
def test_the_logarithm_of_a_factorial(number):
    asked = f"select {{{{ log_factorial('{number}') }}}}"
    assert answer(asked) == [(pytest.approx(math.log(math.factorial(number)), rel=1e-15),)]
    assert "aggregate" in render(asked, engine="spark")  # which has no gamma function


@pytest.mark.parametrize("order", ["asc", "desc"])
def test_a_sum_is_the_same_in_any_order(order):
    # Added as doubles in the order given, .1 and .2 would be lost in 1e13 to two places.
    numbers = "(values (1e13, 1), (0.1e0, 2), (0.2e0, 3), (-1e13, 4)) as numbers (x, place)"
    rows = f"(select x from {numbers} order by place {order}) as rows"
    assert answer("select {{ exact_sum('x') }} from " + rows) == [(0.1 + 0.2,)]


def test_counting_gives_each_number_once():
    assert answer("select number from ({{ counting(2) }}) as numbers order by number") == [
        (number,) for number in range(100)
    ]
