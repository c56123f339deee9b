"""The catalog in the file: all that lies in it, described; what is not described is refused."""

import re
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import pytest

from models.catalog import TABLES, describe
from pipeline import release as releases
from pipeline.workspace import Release
from tests.models.conftest import SETTINGS

CITED = re.compile(r"definitions? (\d+)(?: to (\d+))?")
SAFETY = """
create schema cohorts;
create table cohorts.safety (site varchar, events bigint);
insert into cohorts.safety values ('alder', 2);
comment on table cohorts.safety is 'One row per site: harms.';
comment on column cohorts.safety.site is 'Clinic. Code; never null.';
comment on column cohorts.safety.events is 'What happened; events. Null where not asked.';
"""


@pytest.fixture
def release(tmp_path: Path) -> Release:
    """A warehouse of one described table."""
    release = Release(tmp_path, SETTINGS, date(2025, 12, 31))
    execute(release, SAFETY)
    return release


def execute(release: Release, sql: str) -> list[tuple[Any, ...]]:
    with duckdb.connect(str(release.warehouse)) as connection:
        return connection.execute(sql).fetchall()


def test_a_table_is_told_with_its_grain_its_estimand_and_its_rows(release: Release) -> None:
    describe(release)
    [(grain, summary, rows)] = execute(
        release, "select grain, summary, rows from catalog.tables where table_name = 'safety'"
    )
    assert (grain, rows) == ("One row per site", 1)
    assert summary
    assert execute(
        release,
        "select column_name, data_type, unit, null_means from catalog.columns "
        "where table_name = 'safety' order by position",
    ) == [
        ("site", "VARCHAR", "code", "Never null"),
        ("events", "BIGINT", None, "Null where not asked"),
    ]


def test_describing_again_replaces_what_was_there(release: Release) -> None:
    describe(release)
    before = execute(release, "from catalog.columns")
    describe(release)
    assert execute(release, "from catalog.columns") == before


@pytest.mark.parametrize(
    "undescribed",
    [
        "create table cohorts.mine as select 1 as one",
        "comment on column cohorts.safety.events is 'What happened; events.'",
        "comment on table cohorts.safety is 'Harms.'",
        "create schema mine; create table mine.own as select 1 as one;"
        "comment on table mine.own is 'One row per one: it.';"
        "comment on column mine.own.one is 'It. Never null.'",
    ],
)
def test_what_is_not_described_ends_the_run(release: Release, undescribed: str) -> None:
    execute(release, undescribed)
    with pytest.raises(duckdb.ConstraintException, match="NOT NULL"):
        describe(release)
    with pytest.raises(duckdb.CatalogException):
        execute(release, "from catalog.tables")


def test_each_table_of_the_catalog_holds_its_grain_by_itself(release: Release) -> None:
    describe(release)
    keys = execute(
        release,
        "select table_name, constraint_column_names from duckdb_constraints() "
        "where schema_name = 'catalog' and constraint_type = 'PRIMARY KEY'",
    )
    assert dict(keys) == {table.name: list(table.key) for table in TABLES}


def test_settings_and_definitions_have_this_groups_numbers(release: Release) -> None:
    numbers = SETTINGS.numbers.model_copy(update={"course_gap_days": 150})
    other = SETTINGS.model_copy(update={"numbers": numbers})
    describe(Release(release.root, other, release.as_of))
    assert ("150",) in execute(
        release, "select value from catalog.settings where setting = 'course_gap_days'"
    )
    [(course,)] = execute(release, "select says from catalog.definitions where name = 'Course'")
    assert "a gap of more than 150 days" in course


def test_the_catalog_of_a_release_holds_all_of_it(
    demo_release: Release, demo_warehouse: duckdb.DuckDBPyConnection
) -> None:
    ask = demo_warehouse.sql
    missing = ask(
        "select schema_name, table_name, column_name from duckdb_columns() where not internal "
        "except all from (select schema_name, table_name, column_name from catalog.columns)"
    )
    assert missing.fetchall() == []
    told = ask(
        "select schema_name || '.' || table_name, rows from catalog.tables where kind = 'table'"
    ).fetchall()
    manifest = releases.read_manifest(demo_release.root)
    assert manifest
    assert dict(told).items() >= manifest["rows"].items()
    assert {name for name in manifest["rows"] if name.startswith("catalog.")} == {
        f"catalog.{table.name}" for table in TABLES
    }


def test_every_definition_that_a_comment_names_is_in_the_file(
    demo_warehouse: duckdb.DuckDBPyConnection,
) -> None:
    known = demo_warehouse.sql("select definition from catalog.definitions").fetchall()
    said = demo_warehouse.sql(
        "select description from catalog.columns union all select description from catalog.tables"
    ).fetchall()
    cited = {
        int(number) for (text,) in said for pair in CITED.findall(text) for number in pair if number
    }
    assert len(cited) > 10
    assert cited <= {number for (number,) in known}
