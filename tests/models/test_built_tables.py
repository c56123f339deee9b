"""What a built warehouse looks like to whoever opens it: tables, views, words in the file."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest
import yaml

from ingest.contract import KINDS
from models.build import PROJECT, build

LAYERS = ("staging", "courses", "cohorts", "defined")
MODELS = {path.stem: path for path in (PROJECT / "layers").rglob("*.sql")}
# Of quality, what holds published figures against those before: it comes after the cohorts.
LAST_OF_ALL = {"month_figures", "restatements"}
DATED_BY_PATH = ("site", "batch")
# The second holds a log of samples in its order, which says as much of its grain at less cost.
GRAIN_TESTS = {"one_row_per", "samples_follow"}


@pytest.fixture(scope="module")
def warehouse(make_shared_release: Any) -> Iterator[duckdb.DuckDBPyConnection]:
    release = make_shared_release(with_definitions=True)
    build(release)
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        yield connection


def test_staging_is_views_and_the_rest_tables(warehouse: duckdb.DuckDBPyConnection) -> None:
    kinds = warehouse.sql(
        "select table_schema, list(distinct table_type) from information_schema.tables group by 1"
    ).fetchall()
    assert dict(kinds) == {
        "staging": ["VIEW"],
        "courses": ["BASE TABLE"],
        "cohorts": ["BASE TABLE"],
        "quality": ["BASE TABLE"],
        "defined": ["BASE TABLE"],
        "seeds": ["BASE TABLE"],
    }


def test_every_model_lies_in_the_schema_of_its_folder(
    warehouse: duckdb.DuckDBPyConnection,
) -> None:
    built = warehouse.sql(
        "select table_schema, table_name from information_schema.tables "
        "where table_schema <> 'seeds'"
    ).fetchall()
    expected = {(path.parent.name, alias(path)) for path in MODELS.values()}
    assert set(built) == expected


def test_every_table_says_what_a_row_is(warehouse: duckdb.DuckDBPyConnection) -> None:
    silent = warehouse.sql(
        "with all_of_them as ("
        "    select schema_name || '.' || table_name as name, comment from duckdb_tables()"
        "    union all"
        "    select schema_name || '.' || view_name, comment from duckdb_views() where not internal"
        ")"
        "select name from all_of_them where coalesce(comment, '') not like 'One row per %'"
    ).fetchall()
    assert silent == []


def test_every_column_is_described_in_the_file(warehouse: duckdb.DuckDBPyConnection) -> None:
    silent = warehouse.sql(
        "select schema_name, table_name, column_name from duckdb_columns() "
        "where not internal and coalesce(trim(comment), '') = ''"
    ).fetchall()
    assert silent == []


@pytest.mark.parametrize("model", sorted(MODELS))
def test_no_model_reads_a_layer_backwards(model: str) -> None:
    path = MODELS[model]
    read = re.findall(r"ref\('(\w+)'\)", path.read_text())
    layers = {MODELS[name].parent.name for name in read if name in MODELS}
    assert layers <= readable(path.parent.name) | ({*LAYERS} if model in LAST_OF_ALL else set())
    assert model in LAST_OF_ALL or LAST_OF_ALL.isdisjoint(read)


def readable(layer: str) -> set[str]:
    """The layers that a layer may read: itself, and those before it in the flow."""
    if layer == "quality":
        return {"staging", "quality"}
    return {*LAYERS[: LAYERS.index(layer) + 1]} | ({"quality"} if layer == "cohorts" else set())


@pytest.mark.parametrize("model", sorted(MODELS))
def test_every_model_has_its_words_beside_it(model: str) -> None:
    words = yaml.safe_load(MODELS[model].with_suffix(".yml").read_text())
    (described,) = words["models"]
    assert described["name"] == model
    grains = [test for test in described["data_tests"] if GRAIN_TESTS & set(test)]
    assert grains


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_staging_has_the_contracts_columns_and_words(kind: Any) -> None:
    path = PROJECT / "layers" / "staging" / f"stg_{kind.name}.yml"
    (described,) = yaml.safe_load(path.read_text())["models"]
    words = {column["name"]: column["description"] for column in described["columns"]}
    assert list(words) == [*DATED_BY_PATH, *kind.stored_schema.names()]
    for column in kind.columns:
        told = words[column.stored_name]
        assert all(code in told for code in column.codes)
        assert (column.unit or "") in told


def alias(path: Path) -> str:
    renamed = re.search(r"alias='(\w+)'", path.read_text())
    return renamed.group(1) if renamed else path.stem
