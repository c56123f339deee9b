"""Works the courses and cohorts out on Spark: from a release's inputs to Parquet files."""

import os
import shutil
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from ingest.contract import KINDS
from pipeline.errors import WrongUse
from pipeline.workspace import Release

if TYPE_CHECKING:
    from pyspark.sql import SparkSession

PACKAGES = ("pyspark", "dbt.adapters.spark")
LOCAL = "local"
ON_ONE_MACHINE = {
    "spark.driver.bindAddress": "127.0.0.1",
    "spark.driver.host": "127.0.0.1",
    "spark.driver.memory": "3g",
    "spark.sql.shuffle.partitions": "4",
}
EVERYWHERE = {
    "spark.log.level": "OFF",
    "spark.sql.catalogImplementation": "in-memory",
    # Pyspark 4.3.0 cannot send some plans with a union in generated code to its workers.
    "spark.sql.codegen.wholeStage.union.enabled": "false",
    "spark.sql.session.timeZone": "UTC",
    "spark.sql.sources.partitionColumnTypeInference.enabled": "false",  # 2025-06 is no date
    "spark.ui.enabled": "false",
    "spark.ui.showConsoleProgress": "false",
}
SETTINGS_FOLDERS = {"settings": "settings", "published": "published", "arrivals": "quality"}


def refuse_without_spark() -> None:
    """Stop before anything is done where Spark cannot run.

    Raises:
        WrongUse: a package or Java is not there.
    """
    if not all(_is_installed(package) for package in PACKAGES):
        raise WrongUse(
            "The engine spark needs packages that are not installed.",
            "Install them with `uv sync --extra spark`, or run with --engine duckdb.",
        )
    home = os.environ.get("JAVA_HOME")
    if not shutil.which(str(Path(home, "bin", "java")) if home else "java"):
        raise WrongUse(
            f"The engine spark needs Java 17, and {f'{home}/bin' if home else 'PATH'} has none.",
            "Install it (Debian: `apt install openjdk-17-jre-headless`), or run with "
            "--engine duckdb.",
        )


def _is_installed(package: str) -> bool:
    try:
        return find_spec(package) is not None
    except ModuleNotFoundError:
        return False


@contextmanager
def reading_inputs(release: Release, handed_back: Path) -> Iterator[None]:
    """A Spark session, for dbt to find, that knows a release's inputs and the warehouse's seeds.

    What dbt builds lies in `handed_back`, in a folder `<schema>.db/<table>` each.

    Raises:
        WrongUse: Java did not start Spark.
    """
    with _session(release.settings.engine.master, handed_back) as spark:
        for kind in KINDS:
            _show(spark, "accepted", kind.name, release.inputs / kind.name)
            _show(spark, "refused", kind.name, release.inputs / "refused" / kind.name)
        for schema, folder in SETTINGS_FOLDERS.items():
            for file in (release.inputs / folder).glob("*.parquet"):
                _show(spark, schema, file.stem, file)
        for file in _seeds(release, handed_back):
            _show(spark, "seeds", file.stem, file)
        yield


def _show(spark: "SparkSession", schema: str, table: str, path: Path) -> None:
    """Files as a view, with one file's types; where files differ, only equal columns are read."""
    quoted = str(path).replace("`", "``")
    spark.sql(f"create schema if not exists {schema}")
    spark.sql(f"create view {schema}.{table} as select * from parquet.`{quoted}`")


def _seeds(release: Release, folder: Path) -> list[Path]:
    """The warehouse's seeds as files: dbt-spark writes neither quotes nor missing numbers."""
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        names = connection.sql(
            "select table_name from duckdb_tables() where schema_name = 'seeds'"
        ).fetchall()
        files = [folder / f"{name}.parquet" for (name,) in names]
        for file in files:
            connection.table(f"seeds.{file.stem}").write_parquet(str(file))
    return files


@contextmanager
def _session(master: str, warehouse: Path) -> Iterator["SparkSession"]:
    """A session of its own Java process, which ends with it."""
    from pyspark import SparkConf, SparkContext
    from pyspark.errors import PySparkRuntimeError
    from pyspark.java_gateway import launch_gateway
    from pyspark.sql import SparkSession

    settings = {
        **EVERYWHERE,
        **(ON_ONE_MACHINE if master.startswith(LOCAL) else {}),
        "spark.sql.warehouse.dir": str(warehouse),
    }
    conf = SparkConf().setMaster(master).setAppName("lidcohort").setAll(list(settings.items()))
    hears_interruption = signal.getsignal(signal.SIGINT)
    try:
        gateway = launch_gateway(  # type: ignore[no-untyped-call]
            conf, {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        )
    except PySparkRuntimeError:
        raise WrongUse(
            "Java did not start Spark.", "See that `java -version` tells of Java 17 or later."
        ) from None
    context = SparkContext(conf=conf, gateway=gateway)
    with suppress(ValueError):  # in a thread nothing was changed
        signal.signal(signal.SIGINT, hears_interruption)
    try:
        yield SparkSession(context)
    finally:
        context.stop()
        gateway.shutdown()
        gateway.proc.stdin.close()
        gateway.proc.wait()
        SparkContext._gateway = SparkContext._jvm = None
