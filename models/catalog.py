"""The schema `catalog`: a warehouse's dictionary as tables, read from the file's own comments.

With it come the statistical methods, as macros.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import astuple, dataclass
from functools import cache
from pathlib import Path
from typing import Any, TypeAlias

import duckdb
import polars as pl
from dbt.clients.yaml_helper import load_yaml_text

from models.descriptions import grain, null_means, one_line, unit
from models.docs import estimands
from models.methods import methods
from pipeline.durable import Step, durable_step
from pipeline.workspace import Release

SCHEMA = "catalog"
DICTIONARY = Path(__file__).with_name("dictionary.yml")
ESTIMATING = "cohorts"  # the schema whose tables state an estimand
NO_ESTIMAND = (None,) * 4
NEVER_NULL = "Never null"
OF_THIS_FILE = "database_name = current_database() and not internal"
ALL_TABLES = (
    "select schema_name, table_name, 'table' as kind, comment from duckdb_tables() "
    f"where {OF_THIS_FILE} union all "
    "select schema_name, view_name, 'view' as kind, comment from duckdb_views() "
    f"where {OF_THIS_FILE}"
)

Row: TypeAlias = tuple[Any, ...]
Warehouse: TypeAlias = duckdb.DuckDBPyConnection


@dataclass(frozen=True)
class _Table:
    """A table of the catalog: its rows, and its columns by name, each with its type and words."""

    name: str
    description: str
    key: tuple[str, ...]
    columns: Mapping[str, tuple[str, str]]
    rows: Callable[[Warehouse, Release], Iterable[Row]]


def describe(release: Release) -> int:
    """Write methods and catalog into a release's warehouse; returns how many columns it describes.

    They replace older ones.

    Raises:
        duckdb.ConstraintException: a table or a column lacks its comment, or a part of it.
    """
    durable_step(Step.CATALOG)
    with duckdb.connect(str(release.warehouse)) as warehouse:
        warehouse.begin()
        warehouse.execute(f"drop schema if exists {SCHEMA} cascade")
        warehouse.execute(f"create schema {SCHEMA}")
        _offer_methods(warehouse)
        for table in TABLES:
            _create(warehouse, table)
        for table in TABLES:
            _fill(warehouse, table, table.rows(warehouse, release))
        warehouse.commit()
        return _count(warehouse, f"{SCHEMA}.columns")


def _offer_methods(warehouse: Warehouse) -> None:
    for method in methods():
        warehouse.execute(method.sql)
        said = f"{method.says} {method.gives} Called as: {method.call}"
        warehouse.execute(f"comment on {method.kind} {method.name} is {_quoted(said)}")


def _create(warehouse: Warehouse, table: _Table) -> None:
    """Its grain is its primary key, and what is said to be never null cannot be."""
    columns = [
        f"{name} {type_}{' not null' if null_means(told) == NEVER_NULL else ''}"
        for name, (type_, told) in table.columns.items()
    ]
    key = f"primary key ({', '.join(table.key)})"
    place = f"{SCHEMA}.{table.name}"
    warehouse.execute(f"create table {place} ({', '.join([*columns, key])})")
    warehouse.execute(f"comment on table {place} is {_quoted(table.description)}")
    for name, (_, told) in table.columns.items():
        warehouse.execute(f"comment on column {place}.{name} is {_quoted(told)}")


def _fill(warehouse: Warehouse, table: _Table, rows: Iterable[Row]) -> None:
    frame = pl.DataFrame(list(rows), list(table.columns), orient="row", infer_schema_length=None)
    warehouse.register("rows", frame)
    warehouse.execute(f"insert into {SCHEMA}.{table.name} from rows")
    warehouse.unregister("rows")


def _schemas(warehouse: Warehouse, _: Release) -> Iterator[Row]:
    holds = _dictionary()["schemas"]
    found = warehouse.sql(f"select distinct schema_name from ({ALL_TABLES}) order by all")
    for (schema,) in found.fetchall():
        yield schema, holds.get(schema)


def _settings(_: Warehouse, release: Release) -> Iterator[Row]:
    values = _values(release)
    for name, told in _dictionary()["settings"].items():
        yield name, values[name], told.get("unit"), told["says"]


def _definitions(_: Warehouse, release: Release) -> Iterator[Row]:
    values = _values(release)
    for number, told in enumerate(_dictionary()["definitions"], start=1):
        yield number, told["name"], told["says"].format_map(values)


def _methods(_: Warehouse, __: Release) -> Iterator[Row]:
    for one in methods():
        kind = "table" if one.is_table else "number"
        yield one.name, kind, one.call, one.says, one.gives, one.example, one.worked_out


def _parameters(_: Warehouse, __: Release) -> Iterator[Row]:
    for method in methods():
        for position, one in enumerate(method.parameters, start=1):
            yield method.name, one.name, position, one.default, one.says


def _columns(warehouse: Warehouse, _: Release) -> Iterator[Row]:
    found = warehouse.sql(
        "select schema_name, table_name, column_name, column_index, data_type, comment "
        f"from duckdb_columns() where {OF_THIS_FILE} order by schema_name, table_name, column_index"
    )
    for *place, type_, comment in found.fetchall():
        said = one_line(comment or "")
        yield *place, type_, unit(said), said or None, null_means(said)


def _tables(warehouse: Warehouse, _: Release) -> Iterator[Row]:
    tables = warehouse.sql(f"{ALL_TABLES} order by all").fetchall()
    stated = estimands()
    for schema, name, kind, comment in tables:
        said = one_line(comment or "")
        estimand = stated.get(name) if schema == ESTIMATING else None
        rows = None if kind == "view" else _count(warehouse, f"{schema}.{name}")
        if (schema, name) == (SCHEMA, "tables"):  # the one that is being filled
            rows = len(tables)
        parts = astuple(estimand) if estimand else NO_ESTIMAND
        yield schema, name, kind, grain(said), said or None, *parts, rows


def _values(release: Release) -> dict[str, str]:
    """The settings that figures depend on, as people write them."""
    settings = release.settings
    values = {
        "as_of": release.as_of.isoformat(),
        "reference_protocol": settings.group.reference_protocol,
        **settings.numbers.model_dump(),
        "hide_counts_below": settings.privacy.hide_counts_below,
    }
    return {name: str(value) for name, value in values.items()}


@cache
def _dictionary() -> dict[str, Any]:
    told: Any = load_yaml_text(DICTIONARY.read_text("utf-8"), str(DICTIONARY))
    return dict(told)


def _count(warehouse: Warehouse, place: str) -> int:
    [(rows,)] = warehouse.sql(f"select count(*) from {place}").fetchall()
    return int(rows)


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


TABLES = (
    _Table(
        "schemas",
        "One row per schema of this file that has tables or views.",
        ("schema_name",),
        {
            "schema_name": ("varchar", "Name of the schema. Never null."),
            "holds": ("varchar", "What its tables have in common. Never null."),
        },
        _schemas,
    ),
    _Table(
        "settings",
        "One row per setting of group.toml that figures depend on.",
        ("setting",),
        {
            "setting": ("varchar", "Name of the setting. Never null."),
            "value": ("varchar", "Its value when this release was made. Never null."),
            "unit": ("varchar", "Unit of the value. Null where it has none."),
            "says": ("varchar", "What it decides. Never null."),
        },
        _settings,
    ),
    _Table(
        "definitions",
        "One row per definition: comments name definitions by their number.",
        ("definition",),
        {
            "definition": ("bigint", "Its number; rank. Never null."),
            "name": ("varchar", "What it defines. Never null."),
            "says": ("varchar", "The definition, with this group's own numbers. Never null."),
        },
        _definitions,
    ),
    _Table(
        "methods",
        "One row per statistical method that this file offers as a macro.",
        ("method",),
        {
            "method": ("varchar", "Name of the macro. Never null."),
            "gives_a": ("varchar", "table, for `from`, or number, for `select`. Code; never null."),
            "called_as": ("varchar", "Its parameters, with their defaults. Never null."),
            "says": ("varchar", "What it estimates, and what it assumes. Never null."),
            "gives": ("varchar", "What it gives, and of a table its columns. Never null."),
            "example": ("varchar", "A call, on a table of the caller's own. Never null."),
            "worked_out": (
                "varchar",
                "Formulas, edges and source, as the macro it comes of says them. Never null.",
            ),
        },
        _methods,
    ),
    _Table(
        "parameters",
        "One row per method and parameter that it is called with.",
        ("method", "parameter"),
        {
            "method": ("varchar", "Name of the macro. Never null."),
            "parameter": ("varchar", "Name of the parameter, for `name := value`. Never null."),
            "position": ("bigint", "Place in the call, from 1; rank. Never null."),
            "default_value": ("varchar", "Taken where it is left out. Null where it may not be."),
            "says": ("varchar", "What it is. Never null."),
        },
        _parameters,
    ),
    _Table(
        "columns",
        "One row per column of each table and view of this file, the catalog's included.",
        ("schema_name", "table_name", "column_name"),
        {
            "schema_name": ("varchar", "Schema of its table. Never null."),
            "table_name": ("varchar", "Its table. Never null."),
            "column_name": ("varchar", "Its name. Never null."),
            "position": ("bigint", "Place in its table, from 1; rank. Never null."),
            "data_type": ("varchar", "Type of its values. Never null."),
            "unit": ("varchar", "Unit of its values. Null where they have none."),
            "description": ("varchar", "All that its comment says. Never null."),
            "null_means": ("varchar", "When a value is null, or that none ever is. Never null."),
        },
        _columns,
    ),
    _Table(
        "tables",
        "One row per table and view of this file, the catalog's included.",
        ("schema_name", "table_name"),
        {
            "schema_name": ("varchar", "Schema that it lies in. Never null."),
            "table_name": ("varchar", "Its name in the schema. Never null."),
            "kind": ("varchar", "table or view. Code; never null."),
            "grain": ("varchar", "What a row of it is. Never null."),
            "description": ("varchar", "All that its comment says. Never null."),
            "population": ("varchar", "Who is counted. Null where it estimates nothing."),
            "variable": ("varchar", "What is measured. Null where it estimates nothing."),
            "intercurrent_events": (
                "varchar",
                "What may come between, and how it counts. Null where it estimates nothing.",
            ),
            "summary": ("varchar", "What the figure is. Null where it estimates nothing."),
            "rows": ("bigint", "How many it has; rows. Null for a view."),
        },
        _tables,
    ),
)
