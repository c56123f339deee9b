"""Works the courses and cohorts out on Spark: from a release's inputs to Parquet files."""

import os
import re
import shutil
import signal
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from ingest.contract import KINDS
from pipeline.errors import WrongUse
from pipeline.settings import Settings
from pipeline.workspace import Release

if TYPE_CHECKING:
    from py4j.java_gateway import JavaGateway
    from pyspark import SparkConf
    from pyspark.sql import SparkSession

PACKAGES = ("pyspark", "dbt.adapters.spark")
JAVA = 17
WITHOUT = "do without: `run --engine duckdb`, or [engine] in group.toml"
LOCAL = "local"
CLUSTER = "spark://"  # and `host:port`, several with commas between
PATIENCE = 5.0  # seconds for a cluster to take a connection
NAME_ANOTHER = "See that `master` under [engine] in group.toml names a cluster that is up."
ON_ONE_MACHINE = {
    "spark.authenticate": "true",  # among the machine's other users
    "spark.driver.bindAddress": "127.0.0.1",
    "spark.driver.host": "127.0.0.1",
    "spark.driver.memory": "3g",
    "spark.executor.heartbeatInterval": "1h",  # else a machine that slept has lost its executor
    "spark.network.timeout": "24h",
    "spark.sql.adaptive.enabled": "false",  # it plans again after each stage
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


def refuse_without_spark(settings: Settings) -> None:
    """Stop before anything is done where a group builds with Spark and it cannot run here.

    Raises:
        WrongUse: a package or Java is not there, Java is too old, or no cluster answers.
    """
    if settings.engine.name != "spark":
        return
    if not is_installed():
        raise WrongUse(
            "The engine spark needs packages that are not installed.",
            f"Install them with `uv sync --extra spark`, or {WITHOUT}.",
        )
    home = os.environ.get("JAVA_HOME")
    java = shutil.which(str(Path(home, "bin", "java")) if home else "java")
    if java is None or _version_of(java) < JAVA:
        place = str(Path(home, "bin")) if home else "PATH"
        found = "an older one" if java else "none"
        raise WrongUse(
            f"The engine spark needs Java {JAVA} or later, and {place} has {found}.",
            f"Install it (Debian: `apt install openjdk-17-jre-headless`), or {WITHOUT}.",
        )
    master = settings.engine.master
    if master.startswith(CLUSTER) and not any(map(_answers, master[len(CLUSTER) :].split(","))):
        raise WrongUse(f"No cluster answers at {master}.", NAME_ANOTHER)


def _answers(address: str) -> bool:
    """Whether anything takes a connection at `host:port`; Spark itself would ask for minutes."""
    host, _, port = address.rpartition(":")
    try:
        socket.create_connection((host.strip("[]"), int(port)), PATIENCE).close()
    except (OSError, ValueError, OverflowError):
        return False
    return True


def is_installed() -> bool:
    """Whether the packages of the extra `spark` are there."""
    return all(map(_is_there, PACKAGES))


def _is_there(package: str) -> bool:
    try:
        return find_spec(package) is not None
    except ModuleNotFoundError:
        return False


def _version_of(java: str) -> int:
    """The number that a Java tells as its version, 1 up to Java 8; 0 where it tells none."""
    asked = [java, "-version"]
    told = subprocess.run(asked, capture_output=True, text=True, check=False)  # noqa: S603
    number = re.search(r'version "(\d{1,4})', told.stderr)
    return int(number[1]) if number else 0


@contextmanager
def reading_inputs(release: Release, handed_back: Path) -> Iterator[None]:
    """A Spark session, for dbt to find, that knows a release's inputs and the warehouse's seeds.

    What dbt builds lies in `handed_back`, in a folder `<schema>.db/<table>` each.

    Raises:
        WrongUse: Spark did not start.
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
def _session(master: str, folder: Path) -> Iterator["SparkSession"]:
    """A session that keeps all it writes in a folder."""
    from py4j.protocol import Py4JError
    from pyspark import SparkConf, SparkContext
    from pyspark.sql import SparkSession

    settings = {
        **EVERYWHERE,
        **(ON_ONE_MACHINE if master.startswith(LOCAL) else {}),
        "spark.local.dir": str(folder / "scratch"),
        "spark.sql.warehouse.dir": str(folder),
    }
    conf = SparkConf().setMaster(master).setAppName("lidcohort").setAll(list(settings.items()))
    hears_interruption = signal.getsignal(signal.SIGINT)
    with _java(conf) as gateway:
        try:
            context = SparkContext(conf=conf, gateway=gateway)
        except Py4JError as error:
            # Its text is asked of Java, which ends before anybody reads it.
            raise _not_started(conf) from OSError(type(error).__name__)
        with suppress(ValueError):  # in a thread nothing was changed
            signal.signal(signal.SIGINT, hears_interruption)
        try:
            yield SparkSession(context)
        finally:
            with suppress(Py4JError, OSError):  # Java may have ended by itself
                context.stop()


def _not_started(conf: "SparkConf") -> WrongUse:
    return WrongUse(f"Spark did not start on {conf.get('spark.master')}.", NAME_ANOTHER)


@contextmanager
def _java(conf: "SparkConf") -> Iterator["JavaGateway"]:
    """A Java process of the build's own, which ends with it."""
    from py4j.protocol import Py4JError
    from pyspark import SparkContext
    from pyspark.errors import PySparkRuntimeError
    from pyspark.java_gateway import launch_gateway

    try:
        gateway = launch_gateway(  # type: ignore[no-untyped-call]
            conf, {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        )
    except PySparkRuntimeError:
        raise _not_started(conf) from None
    try:
        yield gateway
    finally:
        with suppress(Py4JError, OSError):
            gateway.shutdown()
        gateway.proc.stdin.close()
        gateway.proc.wait()
        SparkContext._gateway = SparkContext._jvm = None
