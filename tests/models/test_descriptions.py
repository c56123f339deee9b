"""What a description says in its fixed parts, and that every one in the file has them."""

import duckdb
import polars as pl
import pytest

from models.descriptions import grain, null_means, unit
from pipeline.workspace import Release


@pytest.mark.parametrize(
    ("description", "found"),
    [
        ("One row per site: what happened.", "One row per site"),
        (
            "One row per site of group.toml\nand month. More.",
            "One row per site of group.toml and month",
        ),
        ("What happened, one row per site.", None),
    ],
)
def test_a_grain_ends_before_what_the_table_tells(description: str, found: str | None) -> None:
    assert grain(description) == found


@pytest.mark.parametrize(
    ("description", "found"),
    [
        ("Heating of this eye; min. Null where unknown.", "min"),
        ("Temperature held; C. Null where unknown.", "C"),
        ("Mature courses. Courses or eyes; never null.", "courses or eyes"),
        ("Share of those.\n Share from 0 to 1; null where that is.", "share from 0 to 1"),
        ("Courses that matured. Never null.", None),
        ("Minutes of it. Never null.", None),
    ],
)
def test_a_unit_is_a_clause_of_its_own(description: str, found: str | None) -> None:
    assert unit(description) == found


@pytest.mark.parametrize(
    ("description", "found"),
    [
        ("Heating; min. Null where unknown.", "Null where unknown"),
        ("Share; 0 at first, null where not known.", "Null where not known"),
        ("Code; never null.", "Never null"),
        ("A null result of it.", None),
    ],
)
def test_what_null_means_is_found_wherever_it_stands(description: str, found: str | None) -> None:
    assert null_means(description) == found


def test_each_table_and_column_of_a_release_is_described_whole(
    demo_warehouse: duckdb.DuckDBPyConnection,
) -> None:
    tables = demo_warehouse.sql(
        "select schema_name, table_name, comment from duckdb_tables() "
        "union all "
        "select schema_name, view_name, comment from duckdb_views() where not internal"
    ).fetchall()
    assert len(tables) > 60
    assert [name for *name, told in tables if not grain(told or "")] == []
    columns = demo_warehouse.sql(
        "select schema_name, table_name, column_name, comment, data_type "
        "from duckdb_columns() where not internal"
    ).fetchall()
    assert [name for *name, told, _ in columns if not (told or "").strip()] == []
    assert [name for *name, told, _ in columns if "{{" in told] == []
    assert [name for *name, told, _ in columns if not null_means(told)] == []
    numbers = [row for row in columns if row[-1].startswith(("BIGINT", "DOUBLE", "DECIMAL", "INT"))]
    assert len(numbers) > 400
    assert [name for *name, told, _ in numbers if not unit(told)] == []


def test_shared_tables_carry_the_same_words(
    demo_release: Release, demo_warehouse: duckdb.DuckDBPyConnection
) -> None:
    files = sorted(demo_release.tables.glob("*.parquet"))
    assert files
    for path in files:
        told = pl.read_parquet_metadata(path)
        in_file = demo_warehouse.execute(
            "select column_name, comment from duckdb_columns() "
            "where schema_name = 'cohorts' and table_name = $1",
            [path.stem],
        ).fetchall()
        assert {name: told[f"comment:{name}"] for name, _ in in_file} == {
            name: " ".join(comment.split()) for name, comment in in_file
        }
        assert grain(told["comment"])
        assert told["comment"].endswith("(definition 17).")
        assert told["comment:hidden"]
        assert set(pl.read_parquet_schema(path)) == {
            name.removeprefix("comment:") for name in told if name.startswith("comment:")
        }
