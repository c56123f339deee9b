"""Questions in SQL to the release that people read: answered, and nothing else.

The warehouse is opened for reading, and DuckDB is kept from every file and from its own settings
before it sees the question. A list of folders that it may read would not do: what may be read may
be written too, even within a `select`. So the views of `staging`, which read files, are left out.
"""

import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path
from typing import Any

import duckdb
from duckdb import StatementType
from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.errors import LidcohortError, WrongUse, as_sentence, suggestion
from pipeline.files import write_whole
from pipeline.readers import reading
from pipeline.seal import WAREHOUSE_FILE
from pipeline.spreadsheets import for_spreadsheets
from pipeline.taking_away import new_file
from pipeline.voice import Answer
from pipeline.workspace import Workspace

SHOWN_ROWS = 40
SHOWN_DIGITS = 6
WIDEST = 10_000  # characters; a terminal breaks lines itself
CSV, PARQUET = ".csv", ".parquet"
LOCKED = (
    "set temp_directory = ''",
    "set autoinstall_known_extensions = false",
    "set autoload_known_extensions = false",
    "set python_enable_replacements = false",
    "set enable_external_access = false",
    "set lock_configuration = true",
)
UNKNOWN_TABLE = re.compile(r'Table with name "?([\w.]+)"? does not exist')
WHERE_TO_LOOK = "`from catalog.tables` lists all tables; --explain-table NAME tells of one."
PARTS = ("population", "variable", "intercurrent_events", "summary")


def query(
    workspace: Workspace, sql: str | None, table: str | None, out: Path | None, *, replace: bool
) -> Answer:
    """Answer a question, or tell of a table, from the release that people read.

    Raises:
        WrongUse: nothing or too much was asked, nothing is published, SQL that cannot be answered,
            an unknown table, or a place where nothing may be written; nothing is written then.
    """
    if (sql is None) == (table is None) or (out and sql is None):
        raise WrongUse(
            "`lidcohort query` takes a question in SQL, or --explain-table with a table's name.",
            'For instance `lidcohort query "from catalog.tables"`.',
        )
    target = _target(workspace, out, replace=replace) if out else None
    with reading(workspace.root) as root, _opened(root) as warehouse:
        if table is not None:
            return _explained(warehouse, table)
        asked = _asked(warehouse, sql or "")
        if target is not None:
            return _written(asked, target)
        return _shown(asked)


def _target(workspace: Workspace, out: Path, *, replace: bool) -> Path:
    if out.suffix not in (CSV, PARQUET):
        raise WrongUse(f"{out} ends neither in {CSV} nor in {PARQUET}.", "Name it so.")
    return new_file(workspace.root, out, out.name, replace=replace)


@contextmanager
def _opened(root: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect(str(root / WAREHOUSE_FILE), read_only=True) as warehouse:
        for setting in LOCKED:
            warehouse.execute(setting)
        try:
            yield warehouse
        except duckdb.InterruptException:
            raise
        except duckdb.Error as error:
            raise _in_words(error, warehouse) from error


def _asked(warehouse: duckdb.DuckDBPyConnection, sql: str) -> duckdb.DuckDBPyRelation:
    statements = warehouse.extract_statements(sql)
    if [one.type for one in statements] != [StatementType.SELECT]:
        raise WrongUse(
            "`lidcohort query` takes one question.",
            "Begin it with select, from, with, describe, show or summarize; a table of your own "
            "is `with mine as (...)` before it.",
        )
    return warehouse.sql(statements[0])


def _shown(asked: duckdb.DuckDBPyRelation) -> Answer:
    names = asked.columns
    rows = asked.limit(SHOWN_ROWS + 1).fetchall()
    shown = rows[:SHOWN_ROWS]
    is_cut = len(rows) > SHOWN_ROWS
    more = f"Only the first {SHOWN_ROWS} rows; --out FILE writes all." if is_cut else ""
    return Answer(
        "\n".join(filter(None, [_as_table(names, shown), more])),
        {
            "outcome": "answered",
            "columns": names,
            "rows": [list(row) for row in shown],
            "is_cut": is_cut,
        },
    )


def _written(asked: duckdb.DuckDBPyRelation, target: Path) -> Answer:
    frame = asked.pl()
    if target.suffix == PARQUET:
        packed = io.BytesIO()
        frame.write_parquet(packed)
        write_whole(target, packed.getvalue(), mode=0o600)
    else:
        write_whole(target, for_spreadsheets([frame.columns, *frame.rows()]), mode=0o600)
    return Answer(
        f"Wrote {target}, which only you may read: {frame.height:,} "
        f"{'row' if frame.height == 1 else 'rows'} with full counts, and patients by key where it "
        "has them. Hand on pages and shared tables rather than this.",
        {"outcome": "written", "file": target, "rows": frame.height},
    )


def _explained(warehouse: duckdb.DuckDBPyConnection, name: str) -> Answer:
    """What the catalog says of a table, under its bare name or with its schema."""
    found = warehouse.execute(
        "select schema_name || '.' || table_name as name, description, population, variable, "
        "intercurrent_events, summary from catalog.tables "
        "where name = $1 or table_name = $1 order by schema_name <> 'cohorts', name limit 1",
        [name],
    ).fetchall()
    if not found:
        raise _unknown(name, warehouse)
    [(place, description, *estimand)] = found
    columns = warehouse.execute(
        "select column_name, data_type, unit, description from catalog.columns "
        "where schema_name || '.' || table_name = $1 order by position",
        [place],
    ).fetchall()
    headings = ("column", "type", "unit", "description")
    parts = [
        f"{part.replace('_', ' ').capitalize()}: {text}"
        for part, text in zip(PARTS, estimand, strict=True)
        if text
    ]
    table = _as_table(headings, [[cell or "" for cell in row] for row in columns])
    return Answer(
        "\n".join([f"{place}: {description}", *parts, "", table]),
        {
            "outcome": "explained",
            "table": place,
            "description": description,
            "estimand": dict(zip(PARTS, estimand, strict=True)),
            "columns": [dict(zip(headings, row, strict=True)) for row in columns],
        },
    )


def _as_table(names: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    table = Table(box=None, pad_edge=False)
    for place, name in enumerate(names):
        is_number = any(isinstance(row[place], int | float | Decimal) for row in rows)
        table.add_column(Text(name), justify="right" if is_number else "left", no_wrap=True)
    for row in rows:
        table.add_row(*(Text(_cell(value)) for value in row))
    drawn = io.StringIO()
    Console(file=drawn, width=WIDEST, color_system=None).print(table)
    return "\n".join(line.rstrip() for line in drawn.getvalue().splitlines())


def _cell(value: Any) -> str:
    if value is None:
        return "null"
    return f"{value:.{SHOWN_DIGITS}g}" if isinstance(value, float) else str(value)


def _in_words(error: duckdb.Error, warehouse: duckdb.DuckDBPyConnection) -> LidcohortError:
    """DuckDB's own words, in one line and without the question."""
    if isinstance(error, duckdb.PermissionException):
        return WrongUse(
            "`lidcohort query` reads and writes no files.",
            "To read the views of staging: `duckdb -readonly` on the release's warehouse.duckdb.",
        )
    if isinstance(error, duckdb.OutOfMemoryException):
        return WrongUse("The question takes more memory than there is.", "Ask for fewer rows.")
    unknown = UNKNOWN_TABLE.search(str(error))
    if unknown:
        return _unknown(unknown[1], warehouse)
    said = " ".join(str(error).split("\n\nLINE ")[0].split())
    return WrongUse(as_sentence(f"The question cannot be answered: {said}"), WHERE_TO_LOOK)


def _unknown(name: str, warehouse: duckdb.DuckDBPyConnection) -> WrongUse:
    known = [
        place
        for (place,) in warehouse.sql(
            "select table_schema || '.' || table_name from information_schema.tables "
            "where table_schema <> 'staging' "
            "order by table_schema <> 'cohorts', table_schema, table_name"
        ).fetchall()
    ]
    if "catalog.tables" not in known:
        return WrongUse(
            "The release that people read was made before warehouses described themselves.",
            "`lidcohort run` makes a new one.",
        )
    meant = name if "." in name else f"cohorts.{name}"
    return WrongUse(
        as_sentence(f"There is no table {name}; {suggestion(meant, known)}"), WHERE_TO_LOOK
    )
