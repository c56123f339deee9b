"""Small workspaces, one for each command that writes, as they stand before it.

Together their runs come to every durable step there is.
"""

import json
import shutil
from pathlib import Path

import polars as pl

from ingest.contract import PATIENT
from ingest.keys import Rekeying
from pipeline.history import KEPT_RECORDS
from pipeline.workspace import key_file
from tests.crashes import harness
from tests.crashes.harness import Scenario, Server
from tests.crashes.stand_ins import MAY_STOP

GROUP = """
[releases]
keep = 1
[[site]]
code = "alder"
[[protocol]]
code = "four"
sessions_planned = 4
"""
VISITS = "visit_id,patient_id,visit_date,visit_reason\n"
SESSIONS = "session_id,patient_id,session_date,eye,purpose,protocol,adverse_event\n"
SAMPLE = "{root}/exports/alder/2025-03/visits.csv"
PROPOSED = "{root}/at_alder.toml"
COHORT = """
kind = "cohort"
title = "At alder"
question = "How do alder's own patients respond?"
where = { site = ["alder"] }
"""
KEY = "an invented key of enough length\n"


def add_batch(root: Path, month: int) -> None:
    """One more month of an invented clinic: two kinds, of each a row that is refused."""
    batch = f"2025-{month:02}"
    folder = root / "exports" / "alder" / batch
    folder.mkdir(parents=True)
    visits = "".join(f"V{month}-{n},P{n},{batch}-02,course\n" for n in range(month))
    (folder / "visits.csv").write_text(f"{VISITS}{visits}V{month}-x,P1,never,course\n")
    (folder / "sessions.csv").write_text(
        f"{SESSIONS}S{month},P1,{batch}-03,right,course,four,redness\n"
        f"T{month},P2,{batch}-03,right,course,ten,burn\n"
    )


def scenarios(server: Server, folder: Path) -> list[Scenario]:
    """Every scenario, its workspace made in a folder of its own."""
    base = _base(server, folder)
    return [
        Scenario("run", _with_leftovers(base, folder), ("run",)),
        Scenario("refused", _refused(base, folder), ("run",), status=3),
        Scenario("check", _copy(base, folder / "check"), ("check",)),
        Scenario(
            "withdraw", _copy(base, folder / "withdraw"), ("withdraw", "--batch", "alder/2025-02")
        ),
        Scenario("forget", _recorded(base, folder), ("forget", "--patient", "alder/P1")),
        Scenario(
            "forget, not made again",
            _refused(base, folder / "unpublished"),
            ("forget", "--patient", "alder/P1"),
            status=3,
        ),
        Scenario("rekey", _forgotten(server, base, folder), ("rekey",)),
        Scenario("rollback", _copy(base, folder / "rollback"), ("rollback",), then=()),
        Scenario(
            "define",
            _proposing(base, folder / "define"),
            ("define", PROPOSED, "--workspace", "{root}"),
        ),
        Scenario(
            "define, taken away",
            _defining(base, folder / "taken_away"),
            ("define", "--remove", "at_alder"),
        ),
        Scenario("new", _empty(folder / "new"), ("new", "{root}"), then=()),
        Scenario(
            "map",
            _copy(base, folder / "map"),
            (
                "map",
                "alder",
                SAMPLE,
                "--write",
                "--workspace",
                "{root}",
            ),
            then=(),
        ),
    ]


def _base(server: Server, folder: Path) -> Path:
    """Two releases, of which the newer one is read, and a batch that is in neither."""
    root = folder / "base" / "group"
    root.mkdir(parents=True)
    (root / "group.toml").write_text(GROUP)
    key_file(root).write_text(KEY)
    key_file(root).chmod(0o600)
    scenario = Scenario("base", root, ("run",))
    for month in (1, 2):
        add_batch(root, month)
        ended = harness.run(server, scenario, root, ("run",))
        if ended.status:
            raise AssertionError(ended.output)
    add_batch(root, 3)
    return root


def _copy(base: Path, folder: Path) -> Path:
    folder.mkdir(parents=True)
    root = folder / "group"
    shutil.copytree(base, root, symlinks=True)
    shutil.copy(key_file(base), key_file(root))
    return root


def _with_leftovers(base: Path, folder: Path) -> Path:
    """What killed runs leave: half a release, half a file of a store, a folder of rows; and what
    time leaves: a file that no release was made from, and more records than are kept."""
    root = _copy(base, folder / "run")
    half = root / "releases" / "2025-02-28-0badc0de"
    half.mkdir()
    (half / "warehouse.duckdb").write_text("half")
    (root / "accepted" / "visits" / "alder" / "half.partial").write_text("half")
    (root / "accepted" / ".scratch-0").mkdir()
    (root / "accepted" / "visits" / "alder" / f"{'0' * 32}.parquet").write_text("of no release")
    with (root / "runs.jsonl").open("a") as record:
        record.write((json.dumps({"outcome": "nothing_new"}) + "\n") * KEPT_RECORDS)
    return root


def _forgotten(server: Server, base: Path, folder: Path) -> Path:
    """A list that holds keys of a patient and of sessions."""
    root = _copy(base, folder / "rekey")
    scenario = Scenario("forgotten", root, ("forget", "--patient", "alder/P1"))
    ended = harness.run(server, scenario, root, scenario.command)
    if ended.status:
        raise AssertionError(ended.output)
    return root


def _recorded(base: Path, folder: Path) -> Path:
    """A run record that names the patient who is to be forgotten, as a warning of a gate may."""
    root = _copy(base, folder / "forget")
    [patient] = Rekeying(KEY.strip().encode()).keys(pl.Series(["P1"]), "alder", PATIENT.entity)
    with (root / "runs.jsonl").open("a") as record:
        record.write(json.dumps({"outcome": "published", "what": patient[:16]}) + "\n")
    return root


def _refused(base: Path, folder: Path) -> Path:
    root = _copy(base, folder / "refused")
    (root / MAY_STOP).write_text("arrival")
    return root


def _proposing(base: Path, folder: Path) -> Path:
    """A definition that is not kept yet."""
    root = _copy(base, folder)
    Path(PROPOSED.format(root=root)).write_text(COHORT)
    return root


def _defining(base: Path, folder: Path) -> Path:
    """A definition that is kept."""
    root = _copy(base, folder)
    (root / "definitions").mkdir()
    (root / "definitions" / "at_alder.toml").write_text(COHORT)
    return root


def _empty(folder: Path) -> Path:
    """Where a workspace is to be made: the folder is there, and nothing in it."""
    root = folder / "group"
    root.mkdir(parents=True)
    return root
