"""The demo, whole: what it leaves, that it is the same everywhere, and that it stays at home."""

import hashlib
import json
import subprocess
import sys
from datetime import date
from pathlib import Path

import duckdb
import pytest

from pipeline.cli import carry_out
from pipeline.release import BUILT_SCHEMAS

WATCHED = """
import sys

def watch(event, arguments):
    if event in ("socket.connect", "socket.getaddrinfo", "socket.gethostbyname", "socket.sendto"):
        print("SOCKET", event, arguments, file=sys.stderr, flush=True)

sys.addaudithook(watch)
"""
COMMAND = "from pipeline.cli import main; main()"


def watched(code, *arguments):
    """Run Python code in a process that says whenever it turns to the network."""
    command = [sys.executable, "-c", WATCHED + code, *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def table_digests(warehouse: Path) -> dict[str, str]:
    """A digest of each built table's rows, in whatever order they lie."""
    schemas = ", ".join(f"'{schema}'" for schema in BUILT_SCHEMAS)
    with duckdb.connect(str(warehouse), read_only=True) as connection:
        tables = connection.sql(
            "select table_schema || '.' || table_name from information_schema.tables "
            f"where table_schema in ({schemas}) and table_type = 'BASE TABLE'"
        ).fetchall()
        return {table: rows_digest(connection, table) for (table,) in tables}


def rows_digest(connection: duckdb.DuckDBPyConnection, table: str) -> str:
    rows = sorted(map(repr, connection.sql(f"from {table}").fetchall()))
    return hashlib.sha256("\n".join(rows).encode()).hexdigest()


def file_digests(*folders: Path) -> dict[str, str]:
    return {
        f"{folder.name}/{file.relative_to(folder)}": hashlib.sha256(file.read_bytes()).hexdigest()
        for folder in folders
        for file in folder.rglob("*")
        if file.is_file()
    }


def test_the_demos_release_is_complete(demo_workspace, demo_release):
    manifest = json.loads(demo_release.manifest.read_text())
    assert manifest["release"] == demo_release.name
    assert date.fromisoformat(manifest["as_of"]) == demo_release.as_of
    assert {unit["site"] for unit in manifest["units"]} == set(demo_workspace.settings.site_codes)
    assert manifest["rows"].keys() == table_digests(demo_release.warehouse).keys()
    assert {gate["gate"] for gate in manifest["gates"]} == {"arrival", "built"}
    assert all(gate["success"] or gate["severity"] == "warn" for gate in manifest["gates"]), (
        manifest["gates"]
    )
    assert (demo_workspace.current / "dashboards" / "index.html").is_file()


def test_what_refers_to_no_day_of_the_run_is_the_same_in_another_folder(demo_workspace, tmp_path):
    elsewhere = tmp_path / "another" / "place"
    assert carry_out(["demo", str(elsewhere), "--patients", "300", "--quiet"]) == 0
    one, other = demo_workspace.current.resolve(), (elsewhere / "current").resolve()

    assert one.name == other.name
    assert table_digests(one / "warehouse.duckdb") == table_digests(other / "warehouse.duckdb")
    assert file_digests(one / "dashboards", one / "tables", one / "inputs") == file_digests(
        other / "dashboards", other / "tables", other / "inputs"
    )
    manifests = [json.loads((root / "manifest.json").read_text()) for root in (one, other)]
    for manifest in manifests:
        for own in ("finished_at", "warehouse", "digest"):  # the file's views name their folder
            del manifest[own]
    assert manifests[0] == manifests[1]


def test_no_page_and_no_table_names_the_folder_it_was_made_in(demo_workspace):
    made_in = str(demo_workspace.root).encode()
    release = demo_workspace.current.resolve()
    for file in (*release.rglob("*.html"), *release.rglob("*.parquet"), *release.rglob("*.json")):
        assert made_in not in file.read_bytes(), file


def test_a_run_turns_to_no_network(tmp_path):
    ran = watched(COMMAND, "demo", tmp_path / "demo", "--patients", "60")
    assert ran.returncode == 0, ran.stderr
    assert "SOCKET" not in ran.stderr


@pytest.mark.parametrize(
    "code",
    [
        "import socket; socket.getaddrinfo('localhost', 80)",
        "import socket; socket.socket(socket.AF_INET, socket.SOCK_DGRAM).connect(('127.0.0.1', 9))",
    ],
)
def test_the_watch_would_see_it(code):
    assert "SOCKET" in watched(code).stderr
