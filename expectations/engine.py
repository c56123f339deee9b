"""Runs declared expectations on a DuckDB file with Great Expectations, and says what was seen."""

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from copy import copy
from dataclasses import dataclass
from pathlib import Path
from typing import Any

os.environ["GX_ANALYTICS_ENABLED"] = "false"  # read when the library is imported

import great_expectations as gx
from great_expectations.core import ExpectationSuite, ExpectationValidationResult
from great_expectations.data_context.types.base import (
    DataContextConfig,
    InMemoryStoreBackendDefaults,
    ProgressBarsConfig,
)
from great_expectations.datasource.fluent.sql_datasource import SQLDatasource
from great_expectations.expectations.core.expect_table_row_count_to_be_between import (
    ExpectTableRowCountToBeBetween,
)
from sqlalchemy import Engine, event
from sqlalchemy.engine import Connection, ExecutionContext
from sqlalchemy.engine.cursor import FullyBufferedCursorFetchStrategy

from expectations.declaration import FOUND, KEY, REPORT_THIS, Declaration
from expectations.report import SHOWN_AT_MOST, Gate, GateResult, Severity

SLUG = "slug"
ROW_COUNT = ExpectTableRowCountToBeBetween(min_value=0, meta={SLUG: ""})
RESULT_FORMAT = {"result_format": "COMPLETE", "unexpected_index_column_names": [KEY]}
CONFIGURATION = DataContextConfig(
    store_backend_defaults=InMemoryStoreBackendDefaults(),  # no documentation pages
    analytics_enabled=False,
    progress_bars=ProgressBarsConfig(globally=False),
)


@dataclass(frozen=True)
class Outcome:
    """What came of one declaration; `sound` where it was evaluated on enough rows."""

    sound: bool
    success: bool
    observed: str
    offending: tuple[str, ...] = ()
    found: int = 0


NOT_EVALUATED = Outcome(sound=False, success=False, observed="was not evaluated")


def evaluate(
    gate: Gate,
    declarations: Sequence[Declaration],
    database: Path,
    on_progress: Callable[[int, int], None] | None = None,
) -> tuple[GateResult, ...]:
    """Evaluate each declaration on the database; the last result is about the gate itself.

    It stops the run unless at least one expectation was declared, and each was evaluated on as
    many rows as it needs without an error.
    """
    outcomes: dict[str, Outcome] = {}
    with _opened(database) as source:
        for table in sorted({declaration.table for declaration in declarations}):
            of_table = [d for d in declarations if d.table == table]
            outcomes |= _outcomes_of_table(source, table, of_table)
            if on_progress:
                on_progress(len(outcomes), len(declarations))
    in_order = [(d, outcomes.get(d.slug, NOT_EVALUATED)) for d in declarations]
    unsound = tuple(d.slug for d, outcome in in_order if not outcome.sound)
    return (
        *(_result(gate, declaration, outcome) for declaration, outcome in in_order),
        _result_of_gate(gate, len(declarations), unsound),
    )


@contextmanager
def _opened(database: Path) -> Iterator[SQLDatasource]:
    """The database as a source, read only, without temporary tables, closed afterwards."""
    context = gx.get_context(mode="ephemeral", project_config=CONFIGURATION)
    event.listen(Engine, "after_cursor_execute", _buffer_rows)
    source = context.data_sources.add_sql(
        SQLDatasource(
            name="release",
            connection_string="duckdb://",
            create_temp_table=False,
            kwargs={"connect_args": {"database": str(database), "read_only": True}},
        )
    )
    try:
        yield source
    finally:
        source.get_execution_engine().close()
        source.get_engine().dispose()
        event.remove(Engine, "after_cursor_execute", _buffer_rows)


def _buffer_rows(
    connection: Connection,
    cursor: Any,
    statement: str,
    parameters: Any,
    context: ExecutionContext,
    executemany: bool,
) -> None:
    """Fetch a result at once: it is read only after the DuckDB connection was handed back."""
    if connection.dialect.name == "duckdb" and cursor.description:
        context.cursor_fetch_strategy = FullyBufferedCursorFetchStrategy(  # type: ignore[attr-defined]
            cursor, cursor.description, cursor.fetchall()
        )


def _outcomes_of_table(
    source: SQLDatasource, table: str, declarations: Sequence[Declaration]
) -> dict[str, Outcome]:
    asset = source.add_query_asset(table, query=f"select * from {table}")
    batch = asset.add_batch_definition_whole_table("whole").get_batch()
    validation = batch.validate(_suite(table, declarations), result_format=RESULT_FORMAT)
    by_slug = {
        result.expectation_config.meta[SLUG]: result
        for result in validation.results
        if result.expectation_config
    }
    rows = by_slug[""].result.get("observed_value", 0)
    return {
        declaration.slug: _outcome(declaration, by_slug[declaration.slug], rows)
        for declaration in declarations
        if declaration.slug in by_slug
    }


def _suite(table: str, declarations: Sequence[Declaration]) -> ExpectationSuite:
    suite = ExpectationSuite(table)
    suite.add_expectation(copy(ROW_COUNT))
    for declaration in declarations:
        expectation = copy(declaration.expectation)
        expectation.meta = {SLUG: declaration.slug}
        suite.add_expectation(expectation)
    return suite


def _outcome(declaration: Declaration, result: ExpectationValidationResult, rows: int) -> Outcome:
    error = _error(result.exception_info)
    if error is not None:
        return Outcome(sound=False, success=False, observed=f"could not be evaluated: {error}")
    if rows < declaration.rows_at_least:
        observed = f"{rows:,} rows where at least {declaration.rows_at_least:,} are needed"
        return Outcome(sound=False, success=False, observed=observed)
    found, examples = _offending(result.result)
    return Outcome(
        sound=True,
        success=bool(result.success),
        observed=f"{found:,} found" if found else f"none found in {rows:,} rows",
        offending=tuple(sorted(map(_in_words, examples))[:SHOWN_AT_MOST]),
        found=found,
    )


def _error(exception_info: Mapping[str, Any]) -> str | None:
    """The first line of what an expectation or one of its metrics raised, if one did."""
    infos = [exception_info, *(v for v in exception_info.values() if isinstance(v, Mapping))]
    for info in infos:
        if info.get("raised_exception"):
            return str(info.get("exception_message", "no reason given")).splitlines()[0]
    return None


def _offending(result: Mapping[str, Any]) -> tuple[int, list[Mapping[str, Any]]]:
    """How many rows break an expectation, and those of them that are named."""
    if "details" in result:
        rows = result["details"]["unexpected_rows"]
        return (rows[0][FOUND] if rows else 0), rows
    return result.get("unexpected_count", 0), result.get("unexpected_index_list") or []


def _in_words(row: Mapping[str, Any]) -> str:
    """A row by its key, then what else is told of it: `alder/2024-03/visits (empty share 0.5)`."""
    others = [
        f"{name.replace('_', ' ')} {_figure(value)}"
        for name, value in row.items()
        if name not in (KEY, FOUND)
    ]
    return f"{row[KEY]} ({', '.join(others)})" if others else str(row[KEY])


def _figure(value: Any) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _result(gate: Gate, declaration: Declaration, outcome: Outcome) -> GateResult:
    told = declaration.description if outcome.success else declaration.finding
    return GateResult(
        gate=gate,
        expectation=declaration.slug,
        description=told if outcome.sound else f"Not known: {declaration.description}",
        severity=declaration.severity,
        success=outcome.success,
        observed=outcome.observed,
        offending=outcome.offending,
        next_step=declaration.next_step if outcome.sound else "",
        found=outcome.found,
        evaluated=outcome.sound,
    )


def _result_of_gate(gate: Gate, declared: int, unsound: tuple[str, ...]) -> GateResult:
    success = declared > 0 and not unsound
    return GateResult(
        gate=gate,
        expectation="every_expectation_evaluated",
        description="Every declared expectation was evaluated, on enough rows, without an error."
        if success
        else "Some expectations could not be evaluated, or had too few rows to say anything.",
        severity=Severity.STOP,
        success=success,
        observed=f"{declared - len(unsound)} of {declared} evaluated",
        offending=unsound[:SHOWN_AT_MOST],
        found=len(unsound),
        next_step=f"If the exports hold no rows yet, add some. If they do: {REPORT_THIS}",
    )
