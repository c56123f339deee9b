"""Where Spark cannot run, whatever would build with it stops first, in one line."""

import socket
from pathlib import Path

import pytest

from models import spark
from pipeline.workspace import Workspace, key_file

COMMANDS = (("run",), ("check",), ("forget", "--patient", "alder/1234"), ("rekey",))
TELLS_ITS_VERSION = "#!/bin/sh\necho 'openjdk version \"{}\"' >&2\n"


@pytest.fixture(autouse=True)
def installed(monkeypatch):
    """As if the extra were there, so that each test takes away what it means to."""
    monkeypatch.setattr(spark, "PACKAGES", ())


@pytest.fixture
def on_spark(root, stages, lidcohort) -> Path:
    """A group that published once, and has its tables built by Spark from now on."""
    assert lidcohort("run") == 0
    settings = root / "group.toml"
    settings.write_text('[engine]\nname = "spark"\n' + settings.read_text())
    stages.called.clear()
    return root


@pytest.fixture
def java(tmp_path, monkeypatch):
    """A stand-in for Java, the only one there is, that tells a version."""

    def tell(version: str) -> None:
        program = tmp_path / "java" / "bin" / "java"
        program.parent.mkdir(parents=True)
        program.write_text(TELLS_ITS_VERSION.format(version))
        program.chmod(0o755)
        monkeypatch.setenv("JAVA_HOME", str(tmp_path / "java"))

    return tell


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command[0])
def test_nothing_is_done_without_java(on_spark, stages, lidcohort, monkeypatch, capsys, command):
    monkeypatch.delenv("JAVA_HOME", raising=False)
    monkeypatch.setenv("PATH", "/nowhere")
    before = all_of(on_spark)
    assert lidcohort(*command) == 2
    said = capsys.readouterr().err
    assert "needs Java 17 or later, and PATH has none. Install it (Debian: `apt install" in said
    assert (stages.called, all_of(on_spark)) == ([], before)


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command[0])
def test_nothing_is_done_without_the_extra(on_spark, lidcohort, monkeypatch, capsys, command):
    monkeypatch.setattr(spark, "PACKAGES", ("no_such.package",))
    before = all_of(on_spark)
    assert lidcohort(*command) == 2
    said = capsys.readouterr().err
    assert "not installed. Install them with `uv sync --extra spark`" in said
    assert all_of(on_spark) == before


@pytest.mark.parametrize("version", ["1.8.0_402", "11.0.2", "16"])
def test_an_older_java_is_refused(root, stages, lidcohort, java, capsys, version):
    java(version)
    assert lidcohort("run", "--engine", "spark") == 2
    assert "needs Java 17 or later, and" in capsys.readouterr().err
    assert stages.called == []


@pytest.mark.parametrize("version", ["17.0.15", "21"])
def test_java_17_will_do(root, java, version):
    java(version)
    spark.refuse_without_spark(Workspace.open(root).on_engine("spark").settings)


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command[0])
@pytest.mark.parametrize("address", ["127.0.0.1:9", "no-port", "127.0.0.1:99999"])
def test_nothing_is_done_where_no_cluster_answers(
    on_spark, stages, lidcohort, java, capsys, command, address
):
    java("17.0.15")
    name_master(on_spark, f"spark://{address}")
    before = all_of(on_spark)
    assert lidcohort(*command) == 2
    assert f"No cluster answers at spark://{address}." in capsys.readouterr().err
    assert (stages.called, all_of(on_spark)) == ([], before)


def test_one_master_of_several_that_answers_will_do(on_spark, java):
    java("17.0.15")
    with socket.create_server(("127.0.0.1", 0)) as cluster:
        port = cluster.getsockname()[1]
        name_master(on_spark, f"spark://127.0.0.1:9,127.0.0.1:{port}")
        spark.refuse_without_spark(Workspace.open(on_spark).settings)


def test_duckdb_asks_for_neither(on_spark, lidcohort, monkeypatch):
    monkeypatch.setattr(spark, "PACKAGES", ("no_such.package",))
    assert lidcohort("run", "--engine", "duckdb") == 0


def name_master(root: Path, master: str) -> None:
    settings = root / "group.toml"
    said = settings.read_text()
    settings.write_text(said.replace("[engine]\n", f'[engine]\nmaster = "{master}"\n'))


def all_of(root: Path) -> dict[Path, bytes]:
    """Every file of a workspace and its key, but the record of commands and the lock."""
    files = [path for path in root.rglob("*") if path.is_file() and path.parent != root]
    named = [root / "group.toml", root / "current" / "manifest.json", key_file(root)]
    return {path: path.read_bytes() for path in [*files, *named]}
