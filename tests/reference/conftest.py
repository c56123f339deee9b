"""Runs the project's macros on an empty DuckDB, on tables that a test makes."""

from collections.abc import Callable
from functools import cache

import duckdb
import pandas as pd
import pytest

from models.render import render

Ask = Callable[..., pd.DataFrame]


@pytest.fixture(scope="session")
def ask() -> Ask:
    """`ask(sql, **tables)`: the answer to SQL with macros over data frames given by name."""

    rendered = cache(render)

    def answer(sql: str, **tables: pd.DataFrame) -> pd.DataFrame:
        with duckdb.connect() as connection:
            for name, rows in tables.items():
                connection.register(name, rows)
            return connection.sql(rendered(sql)).df()

    return answer
