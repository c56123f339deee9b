"""`lidcohort forget`: nothing of a patient is left, wherever it breaks off, and nothing names them.

Exports are read in earnest; what comes after that is a stand-in.
"""

import hmac
import json
import os
import signal
from pathlib import Path

import duckdb
import polars as pl
import pytest

from expectations import Gate, Severity
from ingest import ingest
from ingest.forgotten import read_forgotten
from ingest.withdrawn import read_withdrawn
from pipeline import erasing, forgetting
from pipeline import release as releases
from pipeline import run as flow
from pipeline.lock import hold
from pipeline.published import taken_in
from pipeline.workspace import Workspace, lock_file

CANARY = "CANARY-7"
FORGET = ("forget", "--patient", f"alder/{CANARY}")
VISITS = "visit_id,patient_id,visit_date,visit_reason\n"
SESSIONS = "session_id,patient_id,session_date,eye,purpose,protocol,adverse_event\n"
TEMPERATURES = "session_id,eye,t_s,temp_c\n"


class Killed(BaseException):
    """As sudden as a test can be."""


@pytest.fixture
def exported(root, stages, monkeypatch):
    """A clinic's patient to forget, with a refused row, a harm and a log, and one who stays."""
    monkeypatch.setattr(flow, "ingest", ingest)
    folder = root / "exports" / "alder" / "2025-06"
    folder.mkdir(parents=True)
    (folder / "visits.csv").write_text(
        f"{VISITS}V1,{CANARY},2025-06-02,course\nV2,{CANARY},never,course\n"
        "V3,OTHER,2025-06-02,course\nV4,OTHER,never,course\n"
    )
    (folder / "sessions.csv").write_text(
        f"{SESSIONS}S1,{CANARY},2025-06-03,right,course,four,burn\n"
        f"S2,{CANARY},2025-06-04,right,course,ten,blister\n"
        "S3,OTHER,2025-06-03,right,course,four,redness\n"
    )
    (folder / "temperatures.csv").write_text(
        f"{TEMPERATURES}S1,right,0,41\nS1,right,1,42\nS2,right,0,41\nS3,right,0,41\n"
    )
    return root


def key(own_id: str, entity: str = "patient") -> str:
    secret = b"an invented key of enough length"
    return hmac.digest(secret, f"alder/{entity}/{own_id}".encode(), "sha256").hex()[:32]


THEIRS = {
    key(CANARY),
    *(key(session, "session") for session in ("S1", "S2")),
    *(key(visit, "visit") for visit in ("V1", "V2")),
}
ANOTHERS = {key("OTHER"), key("S3", "session"), key("V3", "visit"), key("V4", "visit")}


def keys_kept(root: Path) -> set[str]:
    """Every key in what the workspace keeps of checked rows."""
    kept: set[str] = set()
    for path in root.rglob("*.parquet"):
        if path.parent.name != "tables":  # where the stand-in writes words
            rows = pl.read_parquet(path)
            for name in (name for name in rows.columns if name.endswith("_key")):
                kept |= set(rows[name].drop_nulls())
    return kept


def texts_kept(root: Path) -> str:
    """Every text that the program keeps but the list itself."""
    texts = [*root.glob("*.json*"), *root.glob("releases/*/*.json")]
    return "".join(path.read_text() for path in texts if path.name != "forgotten.json")


def is_forgotten(root: Path) -> bool:
    left = keys_kept(root) & THEIRS
    named = [name for name in THEIRS if name[:16] in texts_kept(root)]
    return not left and not named and not read_forgotten(Workspace.open(root)).unfinished


def manifest(root: Path) -> dict:
    return json.loads((root / "current" / "manifest.json").read_text())


def folders(root: Path) -> list[str]:
    return sorted(path.name for path in (root / "releases").iterdir())


def told(capsys) -> str:
    output = capsys.readouterr()
    return output.out + output.err


def files(root: Path) -> dict[str, tuple[int, ...]]:
    counted = pl.read_parquet(root / "current" / "inputs" / "quality" / "files.parquet")
    columns = ("kind", "rows_read", "accepted", "refused", "exact_repeats", "forgotten")
    return {kind: tuple(rest) for kind, *rest in counted.select(columns).rows()}


COUNTS = {"visits": (4, 1, 1, 0, 2), "sessions": (3, 1, 0, 0, 2), "temperatures": (4, 1, 0, 0, 3)}


def test_before_it_all_of_them_is_kept_and_after_it_nothing(exported, lidcohort, current, capsys):
    lidcohort("run")
    before = current()
    assert keys_kept(exported) >= THEIRS | ANOTHERS

    assert lidcohort(*FORGET) == 0

    assert is_forgotten(exported)
    assert keys_kept(exported) >= ANOTHERS
    assert current() not in (None, before)
    assert folders(exported) == [current()]
    assert files(exported) == COUNTS
    said = told(capsys)
    assert f"Made again without them: {current()}." in said
    assert f"Removed: {before}." in said
    assert "Forgotten: 7 rows" in said
    assert "Out of reach, and yours to see to: the clinic's own files in exports/alder/" in said


def test_what_is_made_again_has_counts_reasons_and_harms_without_them(exported, lidcohort):
    lidcohort("run")
    lidcohort(*FORGET)
    quality = exported / "current" / "inputs" / "quality"
    reasons = pl.read_parquet(quality / "refused_reasons.parquet")
    assert reasons.select("kind", "reason", "rows").rows() == [("visits", "unreadable", 1)]
    assert pl.read_parquet(quality / "refused_harms.parquet").is_empty()
    units = {unit["digest"] for unit in manifest(exported)["units"]}
    kept = {path.stem for path in exported.glob("current/inputs/*/site=alder/*/*.parquet")}
    assert units == kept


def test_the_next_run_drops_what_still_lies_in_the_exports(exported, lidcohort):
    lidcohort("run")
    lidcohort(*FORGET)
    assert lidcohort("run") == 0
    assert is_forgotten(exported)
    assert files(exported) == COUNTS


def test_rows_that_come_later_are_dropped_too(exported, lidcohort):
    lidcohort("run")
    lidcohort(*FORGET)
    folder = exported / "exports" / "alder" / "2025-07"
    folder.mkdir()
    (folder / "sessions.csv").write_text(
        f"{SESSIONS}S9,{CANARY},2025-07-03,right,course,four,burn\n"
    )
    (folder / "temperatures.csv").write_text(f"{TEMPERATURES}S9,right,0,41\n")
    assert lidcohort("run") == 0
    assert is_forgotten(exported)
    assert key("S9", "session") not in keys_kept(exported)


def test_older_releases_that_hold_them_go_and_others_stay(exported, lidcohort, current, capsys):
    exports = exported / "exports" / "alder" / "2025-06"
    sessions = exports / "sessions.csv"  # without harms, which would keep the file as it is
    sessions.write_text(sessions.read_text().replace("burn", "none").replace("blister", "none"))
    lidcohort("run")
    with_them = current()
    for path in exports.iterdir():
        lines = path.read_text().splitlines(keepends=True)
        path.write_text(
            "".join(line for line in lines if not {CANARY, "S1", "S2"} & {*line.strip().split(",")})
        )
    lidcohort("run")
    without_them = current()
    assert lidcohort(*FORGET) == 0
    assert (current(), folders(exported)) == (without_them, [without_them])
    assert is_forgotten(exported)
    assert f"Removed: {with_them}." in told(capsys)


def test_what_is_made_again_is_held_against_what_it_was_held_against(exported, lidcohort, current):
    """Not against the release that held them, which goes."""
    lidcohort("run")
    first = current()
    folder = exported / "exports" / "alder" / "2025-07"
    folder.mkdir()
    (folder / "visits.csv").write_text(f"{VISITS}V9,OTHER,2025-07-02,review\n")
    lidcohort("run")
    second = current()
    lidcohort(*FORGET)
    assert current() not in (first, second)
    taken = taken_in(exported / "current" / "inputs")
    assert taken.releases["release"].to_list() == [first]


def test_whoever_is_not_there_is_listed_all_the_same(exported, lidcohort, current, capsys):
    lidcohort("run")
    before = current()
    assert lidcohort("forget", "--patient", "alder/NOBODY") == 0
    assert "No row of this patient was in a release. See that the number" in told(capsys)
    assert current() == before
    assert read_forgotten(Workspace.open(exported)).of("alder") == {key("NOBODY")}


def test_it_can_be_done_before_the_first_run(exported, lidcohort, current):
    assert lidcohort(*FORGET) == 0
    assert current() is None
    assert lidcohort("run") == 0
    assert is_forgotten(exported)
    assert files(exported) == COUNTS


def test_a_withdrawn_batch_keeps_no_harm_of_theirs(exported, lidcohort):
    exports = exported / "exports" / "alder"
    (exports / "2025-07").mkdir()
    (exports / "2025-07" / "visits.csv").write_text(f"{VISITS}V3,OTHER,2025-06-02,course\n")
    lidcohort("withdraw", "--batch", "alder/2025-06")
    lidcohort("run")
    assert keys_kept(exported) >= {key(CANARY), key("S1", "session")}
    assert lidcohort(*FORGET) == 0
    [withdrawal] = read_withdrawn(Workspace.open(exported))
    assert [harm["event"] for harm in withdrawal.harms] == ["redness"]
    assert is_forgotten(exported)


def test_a_settled_harm_of_theirs_is_pointed_out_and_leaves_the_release(
    exported, lidcohort, capsys
):
    settings = exported / "group.toml"
    harm = f"{key('S1', 'session')[:16]}-r"
    settings.write_text(
        settings.read_text() + f'[[settled_harm]]\nsite = "alder"\nharm = "{harm}"\n'
        'decision = "seen"\ndecided_on = 2025-07-01\n'
    )
    lidcohort("run")
    assert harm in texts_kept(exported)
    assert lidcohort(*FORGET) == 0
    assert "remove [[settled_harm]] #1." in told(capsys)
    assert is_forgotten(exported)


def test_the_run_record_names_none_of_their_keys(exported, lidcohort, stages):
    harm = f"{key('S1', 'session')[:16]}-r"
    stages.fail(Gate.ARRIVAL, Severity.STOP, offending=(f"alder/{harm}",))
    lidcohort("run")
    stages.failing.clear()
    assert harm in (exported / "runs.jsonl").read_text()
    lidcohort(*FORGET)
    record = (exported / "runs.jsonl").read_text()
    assert harm not in record
    assert "alder/forgotten-r" in record
    assert [json.loads(line)["command"] for line in record.splitlines()] == ["run", "forget"]


def test_their_number_is_nowhere_but_in_the_exports(exported, lidcohort, capsys):
    lidcohort("run")
    lidcohort(*FORGET, "--json")
    lidcohort("run")
    assert CANARY not in told(capsys)
    for path in exported.rglob("*"):
        if path.is_file() and "exports" not in path.parts:
            assert CANARY.encode() not in path.read_bytes(), path


@pytest.mark.parametrize(
    "arguments",
    [
        ("--patient", f"{CANARY}/alder"),
        ("--patient", CANARY),
        ("--patient", "alder/ "),
        ("--patient", "/" + CANARY),
        (f"alder/{CANARY}",),
        ("--patint", f"alder/{CANARY}"),
        ("--patient", f"alder/{CANARY}", CANARY),
        (),
    ],
)
def test_what_names_no_patient_is_refused_without_repeating_it(
    exported, lidcohort, capsys, arguments
):
    assert lidcohort("forget", *arguments) == 2
    said = told(capsys)
    assert "SITE/ID" in said
    assert CANARY not in said
    assert not (exported / "forgotten.json").exists()


def test_while_another_run_holds_the_workspace_nothing_is_done(exported, lidcohort):
    with hold(lock_file(exported)):
        assert lidcohort(*FORGET) == 4
    assert not (exported / "forgotten.json").exists()


@pytest.mark.parametrize("gate", Gate)
def test_where_the_release_cannot_be_made_again_it_goes_and_that_is_said(
    exported, lidcohort, current, stages, capsys, gate
):
    lidcohort("run")
    stages.fail(gate, Severity.STOP)
    assert lidcohort(*FORGET) == 3
    said = told(capsys)
    assert "The patient is forgotten, but the release that people read could not be made" in said
    assert "Nothing has been published yet." in said
    assert current() is None
    assert is_forgotten(exported)
    stages.failing.clear()
    assert lidcohort("run") == 0
    assert files(exported) == COUNTS


def die(*_, **__):
    raise Killed


def press_ctrl_c(*_, **__):
    os.kill(os.getpid(), signal.SIGINT)


def full_disk(*_, **__):
    raise OSError(28, "No space left on device")


STEPS = [
    *((erasing, name) for name in ("put_on_the_list", "traces", "erase_traces")),
    *((erasing, name) for name in ("erase_from_withdrawn", "empty_stores", "rows_held")),
    *((releases, name) for name in ("sweep", "candidate", "finish", "switch", "remove")),
    (forgetting, "remaining"),
    (forgetting, "write_forgotten"),
    *((flow, name) for name in ("check", "build", "publish")),
]


AGAIN, THE_NEXT_RUN = FORGET, ("run",)


@pytest.mark.parametrize(
    ("step", "fault", "then"),
    [
        *((step, die, AGAIN) for step in STEPS),
        *((step, die, THE_NEXT_RUN) for step in STEPS if step[0] is not flow),
        ((releases, "switch"), press_ctrl_c, AGAIN),
        ((flow, "build"), press_ctrl_c, THE_NEXT_RUN),
        ((flow, "publish"), full_disk, AGAIN),
        ((forgetting, "remaining"), full_disk, THE_NEXT_RUN),
    ],
)
def test_wherever_it_breaks_off_it_is_as_before_or_finished_next(
    exported, lidcohort, current, monkeypatch, step, fault, then
):
    lidcohort("run")
    before = current()
    with monkeypatch.context() as broken:
        broken.setattr(*step, fault)
        assert lidcohort(*FORGET) == 1
    if step[1] == "put_on_the_list":
        assert (current(), keys_kept(exported) >= THEIRS) == (before, True)
        assert not (exported / "forgotten.json").exists()
        lidcohort(*FORGET)
    assert current() is not None

    assert lidcohort(*then) == 0

    assert is_forgotten(exported)
    assert current() not in (None, before)
    with duckdb.connect(str(exported / "current" / "warehouse.duckdb"), read_only=True) as opened:
        assert opened.sql("select sessions from cohorts.safety").fetchall() == [(1,)]
