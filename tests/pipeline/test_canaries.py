"""Marked values in every field of every export, searched for in everything that is written or said.

Every command runs in a process of its own that no socket is left to, and after each everything is
looked through: files as they are, tables by their values. What may be found where is written once,
in MAY_BE_SEEN; all else fails.
"""

import json
import os
import re
import shutil
import subprocess
import sys
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import duckdb
import polars as pl
import pytest
import typer

from ingest.contract import KINDS, KINDS_BY_NAME, Kind, Type
from pipeline import commands
from pipeline.workspace import key_file
from tests.ingest.invented import SOUND, as_csv

pytestmark = pytest.mark.slow

NO_SOCKETS = """
import sys

def refuse(event, arguments):
    if event in {"socket.connect", "socket.getaddrinfo", "socket.gethostbyname", "socket.sendto",
                 "socket.sendmsg", "socket.bind"}:
        raise RuntimeError(f"SOCKET {event}")

sys.addaudithook(refuse)
from pipeline.cli import main
{leak}
main()
"""
LEAKS = {  # put into the program, to see that each would be found
    "key": """
from pipeline import history
import polars as pl
append = history._append

def with_a_key(workspace, record):
    first = sorted((workspace.accepted / "visits").rglob("*.parquet"))[0]
    append(workspace, record | {"patient": pl.read_parquet(first)["patient_key"][0]})

history._append = with_a_key
""",
    "id": """
from pipeline import history
append = history._append

def with_a_row(workspace, record):
    first = sorted(workspace.exports.rglob("visits.csv"))[0]
    append(workspace, record | {"row": first.read_text().splitlines()[1]})

history._append = with_a_row
""",
}
GROUP = """
[[site]]
code = "alder"

[[protocol]]
code = "four_fortnightly"
sessions_planned = 4
"""
DEFINITION = """
kind = "cohort"
title = "At alder"
question = "How do alder's own patients respond?"
where = { site = ["alder"], sessions = { at_least = 1 } }
"""
CANARY = re.compile(r"qz\d{4}[a-z_]+?zq")
BEYOND = " and so on, as people write into a cell that was free, "
ID, CODE, REFUSED, TAIL, LINE, UNKNOWN, HEADER, WHOLE_FILE = (
    *("id", "clinic_code", "refused_cell", "refused_tail", "ragged_line"),
    *("unknown_value", "unknown_header", "refused_file"),
)
KEY = "patient_key"
# The whole of what may be seen outside exports/, and where. A clinic's codes of staff and devices
# are asked for and kept; they go into no page and no shared table. Of a refused row the quarantine
# keeps 40 characters of each cell but ids, and so do the release's inputs; no model tells them. The
# name of a column that nobody asked for is told, so that it can be left out; its values are not.
# What `map` shows of the sample, and `query` of the warehouse, is said to whoever typed it, and
# written nowhere. A gate's own database lies in a candidate that it refused, until the next run. A
# patient's key is in rows, in the lists, and on the clinic's own pages, which name who is due.
# `reveal` writes a list with the clinic's own numbers, where its caller says.
ROWS = {"accepted", "inputs", "warehouse"}
MAY_BE_SEEN = {
    CODE: ROWS | {"clinic's pages", "refused candidate", "said by map", "said by query"},
    REFUSED: {"quarantine", "inputs/refused", "refused candidate", "said by map"},
    HEADER: ROWS | {"pages", "clinic's pages", "refused candidate", "said by map"},
    ID: {"said by map", "revealed"},
    UNKNOWN: {"said by map"},
    KEY: ROWS
    | {"quarantine", "inputs/refused", "refused candidate", "clinic's pages"}
    | {"group/withdrawn.json", "group/forgotten.json", "keys.csv", "revealed", "said by query"},
}
SHOWING_ROWS = ("map", "query")
NOT_WALKED = {"demo", "new", "pack"}  # they read no export, or hand on the pages alone
BATCHES = ("2026-02", "2026-03")


@dataclass
class Planted:
    """Canaries by what they stand for."""

    of: dict[str, str] = field(default_factory=dict)

    def new(self, what: str) -> str:
        canary = f"qz{len(self.of):04}{what}zq"
        self.of[canary] = what
        return canary


@dataclass
class Seen:
    """Where each kind of canary was seen, and the output and exit status of each command."""

    root: Path
    planted: Planted = field(default_factory=Planted)
    places: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    found: set[str] = field(default_factory=set)
    statuses: list[tuple[str, int]] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    keys: set[str] = field(default_factory=set)  # the beginnings of all patients' keys so far

    def note(self, text: str, place: str) -> None:
        for canary in CANARY.findall(text):
            self.found.add(canary)
            self.places[self.planted.of[canary]].add(place)
        if any(begins in text for begins in self.keys):
            self.places[KEY].add(place)


def sound_rows(kind: Kind, planted: Planted, ids: dict[str, str], batch: str) -> list[dict]:
    """Two sound rows but for canaries in ids and in the clinic's own codes."""
    rows = []
    for patient in ("stays", "goes"):
        row = dict(SOUND[kind.name])
        for column in kind.columns:
            if column.type is Type.KEY:
                name = f"{patient}/{column.name}/{batch if column.name != 'patient_id' else ''}"
                row[column.name] = ids.setdefault(name, planted.new(ID))
            elif column.type is Type.CLINIC_CODE:
                row[column.name] = planted.new(CODE)
            elif column.type is Type.DATE:
                row[column.name] = row[column.name].replace("2026-03", batch)
        rows.append(row)
    return rows


def refused_row(kind: Kind, planted: Planted) -> dict[str, str]:
    """A row that is refused, with a canary at both ends of every cell."""
    return {
        column.name: planted.new(ID)
        if column.type is Type.KEY
        else f"{planted.new(REFUSED)}{BEYOND}{planted.new(TAIL)}"[:79]
        for column in kind.columns
    }


def write_exports(root: Path, planted: Planted) -> str:
    """Write every kind's exports; returns the number of the patient who is to be forgotten."""
    ids: dict[str, str] = {}
    for batch in BATCHES:
        folder = root / "exports" / "alder" / batch
        folder.mkdir(parents=True)
        for kind in KINDS:
            rows = [*sound_rows(kind, planted, ids, batch), refused_row(kind, planted)]
            header = planted.new(HEADER)
            for row in rows:
                row[header] = planted.new(UNKNOWN)
            line = f"{planted.new(LINE)}\n"
            text = as_csv(rows, list(rows[0])) + line
            (folder / f"{kind.name}.csv").write_text(text)
    named = {
        "visit_id": "V",
        "patient_id": planted.new(WHOLE_FILE),
        "name": planted.new(WHOLE_FILE),
    }
    (root / "exports/alder/2026-03/visits-named.csv").write_text(as_csv([named], list(named)))
    return ids["goes/patient_id/"]


def run(seen: Seen, *arguments: str, leak: str = "") -> None:
    """Run one command without sockets, then look through all that it said and left."""
    root = seen.root
    done = subprocess.run(
        [sys.executable, "-c", NO_SOCKETS.replace("{leak}", leak), *arguments],
        capture_output=True,
        text=True,
        cwd=root.parent,
        env=os.environ | {"HOME": str(root.parent / "home")},
    )
    seen.statuses.append((arguments[0], done.returncode))
    seen.said.append(done.stdout + done.stderr)
    for store in ("accepted", "quarantine"):
        for path in (root / store).rglob("*.parquet"):
            rows = pl.read_parquet(path)
            if "patient_key" in rows.columns:
                seen.keys |= set(rows["patient_key"].drop_nulls().str.head(16))
    said = f"said by {arguments[0]}" if arguments[0] in SHOWING_ROWS else "said"
    seen.note(done.stdout + done.stderr, said)
    for path in sorted(root.parent.rglob("*")):
        if path.is_file() and not path.is_symlink() and "exports" not in path.parts:
            for text in texts_of(path):
                seen.note(text, place_of(path.relative_to(root.parent)))


def place_of(path: Path) -> str:
    parts = path.parts
    for folder in ("accepted", "quarantine"):
        if folder in parts:
            return folder
    if "inputs" in parts:
        return "inputs/refused" if "refused" in parts else "inputs"
    if path.name == "revealed.csv":
        return "revealed"
    if path.name.startswith("warehouse"):
        return "warehouse"
    if path.name == "arrival.duckdb":
        return "refused candidate"
    if "clinics" in parts:
        return "clinic's pages"
    return "pages" if "dashboards" in parts else str(path)


def texts_of(path: Path):
    """A file's bytes as text, and of a table its values, however they are packed."""
    yield path.name
    yield path.read_bytes().decode("latin-1")
    if path.suffix == ".parquet":
        yield repr(pl.read_parquet_metadata(path))
        yield repr(pl.read_parquet(path).to_dicts())
    if path.suffix == ".duckdb":
        with duckdb.connect(str(path), read_only=True) as connection:
            names = connection.sql(
                "select table_schema || '.' || table_name from information_schema.tables"
            ).fetchall()
            for (name,) in names:
                yield repr(connection.sql(f"from {name}").fetchall())


def write_keys(root: Path) -> None:
    """A list of every patient who is kept, as a recall list holds them."""
    files = sorted((root / "accepted" / "visits").rglob("*.parquet"))
    keys = pl.concat([pl.read_parquet(file, columns=["patient_key"]) for file in files])
    keys.unique().sort("patient_key").write_csv(root.parent / "keys.csv")


@pytest.fixture(scope="module")
def seen(tmp_path_factory) -> Seen:
    root = tmp_path_factory.mktemp("canaries") / "group"
    root.mkdir()
    (root / "group.toml").write_text(GROUP)
    key_file(root).write_text("an invented key of enough length\n")
    key_file(root).chmod(0o600)
    seen = Seen(root)
    goes = write_exports(root, seen.planted)
    of_root = ("--workspace", str(root))
    run(seen, "run", *of_root)
    (root / "exports/alder/2026-03/visits-named.csv").unlink()
    run(seen, "check", *of_root)
    run(seen, "run", *of_root)
    run(seen, "status", *of_root)
    run(seen, "audit", *of_root)
    run(seen, "query", "from courses.session_eyes", *of_root)
    run(seen, "query", "--explain-table", "courses.session_eyes", *of_root)
    name = (root / "current").resolve().name
    run(seen, "compare", name, name, *of_root)
    (root.parent / "at_alder.toml").write_text(DEFINITION)
    run(seen, "define", str(root.parent / "at_alder.toml"), *of_root)
    run(seen, "withdraw", *of_root, "--batch", "alder/2026-02")
    run(seen, "forget", *of_root, "--patient", f"alder/{goes}")
    run(seen, "run", *of_root, "--json")
    run(seen, "verify", *of_root)
    run(seen, "rollback", *of_root)
    run(seen, "rekey", *of_root)
    write_keys(root)
    asked = ("--site", "alder", str(root.parent / "keys.csv"), "--out")
    run(seen, "reveal", *of_root, *asked, str(root.parent / "revealed.csv"))
    run(seen, "contract", "handed-out")
    for kind in ("sessions", "visits"):
        sample = str(root / "exports" / "alder" / "2026-03" / f"{kind}.csv")
        run(seen, "map", "alder", sample, *of_root)
    run(seen, "map", "alder", sample, *of_root, "--write")
    return seen


def test_every_command_ended_as_it_should(seen):
    assert [status for _, status in seen.statuses] == [3, *[0] * 19], seen.said


def test_every_command_that_reads_exports_was_walked(seen):
    known = typer.main.get_command(commands.app).commands
    assert {name for name, _ in seen.statuses} == set(known) - NOT_WALKED


def test_no_command_turned_to_the_network(seen):
    assert not any("SOCKET" in said for said in seen.said)


def test_a_canary_stands_in_every_field_that_takes_a_text(seen):
    fields = sum(
        column.type in (Type.KEY, Type.CLINIC_CODE) for kind in KINDS for column in kind.columns
    )
    planted = [what for what in seen.planted.of.values() if what in (ID, CODE)]
    assert len(planted) >= fields
    assert set(seen.planted.of.values()) == {
        *(ID, CODE, REFUSED, TAIL, LINE, UNKNOWN, HEADER, WHOLE_FILE)
    }
    assert set(KINDS_BY_NAME) == set(SOUND)


@pytest.mark.parametrize("what", [ID, CODE, REFUSED, TAIL, LINE, UNKNOWN, HEADER, WHOLE_FILE, KEY])
def test_a_canary_is_seen_nowhere_but_where_it_may_be(seen, what):
    assert seen.places[what] <= MAY_BE_SEEN.get(what, set())


def test_the_search_sees_what_is_there(seen):
    """Packed or not: each place in which something may be seen is one in which something is."""
    for what, places in MAY_BE_SEEN.items():
        unseen = places - seen.places[what]
        assert unseen <= {"said by map", "refused candidate", "pages", "clinic's pages"}, what
    assert len(seen.found) < len(seen.planted.of)


def test_a_canary_put_into_a_log_or_a_page_would_be_seen(seen, tmp_path):
    planted = Seen(tmp_path, seen.planted)
    canary = next(canary for canary, what in seen.planted.of.items() if what == ID)
    pl.DataFrame({"x": [canary]}).write_parquet(tmp_path / "x.parquet")
    (tmp_path / "runs.jsonl").write_text(json.dumps({"what": canary}))
    with duckdb.connect(str(tmp_path / "warehouse.duckdb")) as connection:
        connection.sql(f"create table x as select '{canary}' as x")
    for path in tmp_path.iterdir():
        before = len(planted.places[ID])
        for text in texts_of(path):
            planted.note(text, str(path))
        assert len(planted.places[ID]) == before + 1


@pytest.mark.parametrize(("what", "leak"), [(KEY, LEAKS["key"]), (ID, LEAKS["id"])])
def test_a_program_that_leaks_into_its_log_is_noticed(seen, tmp_path, what, leak):
    root = tmp_path / "group"
    shutil.copytree(seen.root, root, symlinks=True)
    shutil.copy(key_file(seen.root), key_file(root))
    leaky = Seen(root, seen.planted)
    run(leaky, "withdraw", "--workspace", str(root), "--batch", "alder/2026-02", leak=leak)
    assert leaky.places[what] - MAY_BE_SEEN[what] == {"group/runs.jsonl"}
