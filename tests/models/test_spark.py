"""The courses and cohorts worked out on Spark are those worked out on DuckDB."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest
from polars.testing import assert_frame_equal

from models.build import PROJECT, build
from models.spark import reading_inputs
from pipeline.errors import WrongUse
from pipeline.settings import Engine
from pipeline.workspace import Release

WORKED_OUT = ("courses", "cohorts")
SAME_TO = 1e-9
MOST_DIALECT_MACROS = 10
QUICK_TO_START = "-XX:TieredStopAtLevel=1 -XX:+UseSerialGC"  # a short run hardly pays for more


@pytest.fixture(scope="module")
def both(
    demo_release: Release, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[duckdb.DuckDBPyConnection]:
    """The demo's warehouse as `here`, and as `there` one that Spark made of the same inputs."""
    root = tmp_path_factory.mktemp("spark") / demo_release.name
    shutil.copytree(demo_release.inputs, root / "inputs", copy_function=os.link)
    settings = demo_release.settings.model_copy(update={"engine": Engine(name="spark")})
    there = Release(root, settings, demo_release.as_of)
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("JDK_JAVA_OPTIONS", QUICK_TO_START)
        build(there)
    left = {"inputs", there.warehouse.name, there.models_page.name}
    assert {path.name for path in root.iterdir()} == left
    assert there.models_page.read_bytes() == demo_release.models_page.read_bytes()
    with duckdb.connect() as connection:
        connection.execute(f"attach '{demo_release.warehouse}' as here (read_only)")
        connection.execute(f"attach '{there.warehouse}' as there (read_only)")
        yield connection


@pytest.mark.spark
def test_every_table_is_the_same_with_equal_types(both: duckdb.DuckDBPyConnection) -> None:
    tables = both.sql(
        "select schema_name || '.' || table_name from duckdb_tables() "
        f"where database_name = 'here' and schema_name in {WORKED_OUT} order by all"
    ).fetchall()
    assert len(tables) == sum(1 for layer in WORKED_OUT for _ in models_of(layer))
    for (table,) in tables:
        here, there = (both.table(f"{side}.{table}") for side in ("here", "there"))
        types, types_there = (
            dict(zip(side.columns, side.types, strict=True)) for side in (here, there)
        )
        assert types_there == types, table
        inexact = [name for name in types if types[name] == "DOUBLE"]
        in_order = [*(name for name in types if name not in inexact), *inexact]
        frames = [side.pl().sort(in_order) for side in (there, here)]
        try:
            assert_frame_equal(*frames, rel_tol=SAME_TO, abs_tol=SAME_TO)
        except AssertionError as error:
            raise AssertionError(f"{table}: {error}") from None


@pytest.mark.spark
def test_what_spark_hands_back_is_described_in_the_file(both: duckdb.DuckDBPyConnection) -> None:
    comments = (
        "select schema_name, table_name, column_name, comment from duckdb_columns() "
        f"where database_name = '{{}}' and schema_name in {WORKED_OUT} order by all"
    )
    here, there = (both.sql(comments.format(side)).fetchall() for side in ("here", "there"))
    assert there == here


@pytest.mark.spark
@pytest.mark.parametrize("master", ["yarn", "k8s://https://127.0.0.1:9"])
def test_a_cluster_that_is_not_there_is_one_line_and_leaves_no_java(
    demo_release: Release, tmp_path: Path, master: str
) -> None:
    """Spark's starter gives the first up by itself; the second's session fails in Java."""
    engine = Engine(name="spark", master=master)
    settings = demo_release.settings.model_copy(update={"engine": engine})
    release = Release(tmp_path, settings, demo_release.as_of)
    with (
        pytest.raises(WrongUse, match=f"Spark did not start on {master}"),
        reading_inputs(release, tmp_path),
    ):
        raise AssertionError("it started")
    children = Path(f"/proc/self/task/{os.getpid()}/children").read_text().split()
    assert "java" not in [Path(f"/proc/{child}/comm").read_text().strip() for child in children]


def test_the_engines_differ_in_a_handful_of_macros_only() -> None:
    dialect = PROJECT / "macros" / "dialect"
    assert len(list(dialect.glob("*.sql"))) <= MOST_DIALECT_MACROS
    elsewhere = [path for layer in WORKED_OUT for path in models_of(layer)]
    elsewhere += [path for path in (PROJECT / "macros").rglob("*.sql") if path.parent != dialect]
    assert not [path for path in elsewhere if "spark__" in path.read_text()]


def models_of(layer: str) -> Iterator[Path]:
    return (PROJECT / "layers" / layer).glob("*.sql")
