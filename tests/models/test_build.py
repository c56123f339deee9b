"""The build's front door: progress, quiet, failures and interruption."""

import os
import socket
from typing import Any

import duckdb
import pytest
from dbt.cli.main import dbtRunner, dbtRunnerResult

from models.build import BuildFailed, build, run_dbt


def test_progress_counts_every_node_once(make_release: Any) -> None:
    seen: list[tuple[int, int]] = []
    report = run_dbt(
        make_release(),
        "build",
        "--select",
        "staging",
        on_progress=lambda done, total: seen.append((done, total)),
    )
    total = len(report.nodes)
    assert seen == [(done, total) for done in range(1, total + 1)]


def test_a_build_is_quiet_and_opens_no_socket(
    make_release: Any, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: Any) -> None:
        raise AssertionError("a build opened a connection")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    monkeypatch.setattr(socket.socket, "connect_ex", refuse)
    report = run_dbt(make_release(), "build", "--select", "stg_sites stg_batches")
    assert report.count("model") == 2
    assert capfd.readouterr() == ("", "")


def test_a_build_starts_from_nothing(make_release: Any) -> None:
    release = make_release()
    with duckdb.connect(str(release.warehouse)) as connection:
        connection.execute("create table left_over as select 1 as n")
    log = release.warehouse.with_name(release.warehouse.name + ".wal")
    log.write_bytes(b"left over")
    build(release)
    assert not log.exists()
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        tables = connection.sql("select table_name from duckdb_tables()").fetchall()
    assert ("courses",) in tables
    assert ("left_over",) not in tables


def test_a_failed_model_is_told_by_name(make_release: Any) -> None:
    release = make_release()
    (release.inputs / "settings" / "batches.parquet").unlink()
    with pytest.raises(BuildFailed) as failed:
        run_dbt(release, "build", "--select", "stg_batches")
    assert failed.value.failures[0].startswith("stg_batches: ")
    assert "batches.parquet" in failed.value.failures[0]


def test_a_failed_test_is_told_by_name(make_release: Any) -> None:
    batch = {"site": "alder", "batch": "2025-12", "position": 1}
    with pytest.raises(BuildFailed, match="one_row_per_stg_batches"):
        run_dbt(make_release(batches=[batch, batch]), "build", "--select", "stg_batches")


def test_an_interruption_is_let_through(make_release: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: Any) -> dbtRunnerResult:
        return dbtRunnerResult(success=False, exception=KeyboardInterrupt())

    monkeypatch.setattr(dbtRunner, "invoke", interrupted)
    with pytest.raises(KeyboardInterrupt):
        run_dbt(make_release(), "build")


def test_the_environment_is_left_as_it_was(
    make_release: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LIDCOHORT_INPUTS", "as it was")
    monkeypatch.delenv("LIDCOHORT_WAREHOUSE", raising=False)
    run_dbt(make_release(), "build", "--select", "stg_batches")
    assert os.environ["LIDCOHORT_INPUTS"] == "as it was"
    assert "LIDCOHORT_WAREHOUSE" not in os.environ
