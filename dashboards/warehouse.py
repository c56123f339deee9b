"""The release's warehouse, read only: every table that pages show, in one order."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Protocol, TypeAlias

import duckdb
import polars as pl

Row: TypeAlias = dict[str, Any]

COHORTS = "cohorts"
OTHERS = (
    "courses.adverse_events",
    "courses.losses_by_noise",
    "quality.files",
    "quality.flagged_values",
    "quality.gate_results",
    "quality.harms_to_settle",
    "quality.refusal_changes",
    "quality.refused_reasons",
    "quality.restatements",
    "seeds.response_rules",
    "seeds.severity_bands",
    "staging.stg_batches",
    "staging.stg_sites",
)


class Tables(Protocol):
    """Cohort tables to look rows up in, with full counts or with counts hidden."""

    def find(self, table: str, **where: object) -> list[Row]:
        """Rows whose columns equal `where`, in the table's order."""


class Warehouse:
    """Cohort tables by their bare name, others as `schema.table`; with full counts."""

    def __init__(self, path: Path) -> None:
        """Read what pages show; the file is closed again.

        Raises:
            duckdb.Error: the file or one of the tables is missing.
        """
        with duckdb.connect(str(path), read_only=True) as connection:
            names = {f"{COHORTS}.{name}": name for name in _cohort_tables(connection)}
            names |= {name: name for name in OTHERS}
            self._frames = {
                key: connection.sql(f"select * from {name} order by all").pl()
                for name, key in names.items()
            }
            self._comments = _comments(connection)

    def find(self, table: str, *conditions: pl.Expr, **where: object) -> list[Row]:
        """A table's rows of which all is true."""
        matches = [pl.col(column) == value for column, value in where.items()]
        rows: list[Row] = self._frames[table].filter(*matches, *conditions).to_dicts()
        return rows

    def cohorts(self) -> dict[str, pl.DataFrame]:
        return {name: frame for name, frame in self._frames.items() if "." not in name}

    def comments(self, table: str) -> dict[str, str]:
        """What the file says of a cohort table, under "", and of each of its columns."""
        return self._comments.get(table, {})


def _cohort_tables(connection: duckdb.DuckDBPyConnection) -> Iterator[str]:
    found = connection.execute(
        "select table_name from information_schema.tables where table_schema = ? order by all",
        [COHORTS],
    ).fetchall()
    return (name for (name,) in found)


def _comments(connection: duckdb.DuckDBPyConnection) -> dict[str, dict[str, str]]:
    found = connection.execute(
        "select table_name, '' as column_name, comment from duckdb_tables() where schema_name = $1 "
        "union all "
        "select table_name, column_name, comment from duckdb_columns() where schema_name = $1",
        [COHORTS],
    ).fetchall()
    comments: dict[str, dict[str, str]] = {}
    for table, column, comment in found:
        if comment is not None:
            comments.setdefault(table, {})[column] = " ".join(comment.split())
    return comments
