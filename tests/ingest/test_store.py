"""The stores: what names a unit, that a rerun touches nothing, that a kill leaves nothing."""

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from ingest import store, units
from ingest.batches import find_exports
from ingest.store import run_digest, unit_digest
from pipeline.settings import Protocol
from pipeline.workspace import Workspace
from tests.ingest.invented import SECRET, Exports, settings


def fill(exports: Exports) -> None:
    """Every kind, with a fault in some."""
    exports.write(
        "visits", {}, {"visit_id": "V2", "sex": "?"}, {"visit_id": "V3", "visit_date": ""}
    )
    exports.write("sessions", {}, {"eye": "left"}, {"session_id": "S2", "adverse_event": "burnt"})
    exports.write("outcomes", {}, {"outcome_id": "O2", "value": "900"}, {})
    exports.write("temperatures", {}, {"temp_c": "42"}, {"t_s": "1", "temp_c": "70"})
    exports.write("visits", {"visit_date": "never"}, batch="2026-04")


def stored(workspace: Workspace) -> dict[str, bytes]:
    return {
        str(path.relative_to(workspace.root)): path.read_bytes()
        for folder in (workspace.accepted, workspace.quarantine)
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def same(one, other) -> bool:
    """Whether two reports tell the same, whatever was cached."""
    frames = ("batches", "files", "refused_reasons", "flagged_values", "refused_harms")
    return one.as_of == other.as_of and all(
        getattr(one, frame).equals(getattr(other, frame)) for frame in frames
    )


class TestDigest:
    def digest(self, exports):
        export = find_exports(exports.workspace).exports[0]
        return unit_digest(export, run_digest(exports.workspace), b"mapping")

    def test_equal_inputs_give_equal_names(self, make_exports):
        digests = []
        for name in ("one", "two"):
            exports = make_exports(name=name)
            exports.write("visits", {})
            digests.append(self.digest(exports))
        assert digests[0] == digests[1]
        assert len(digests[0]) == 32

    @pytest.mark.parametrize("change", ["byte", "name", "another file", "batch", "site", "kind"])
    def test_whatever_a_unit_is_made_of_changes_its_name(self, exports, make_exports, change):
        exports.write("visits", {})
        other = make_exports(name="other")
        match change:
            case "byte":
                other.write("visits", {"age_years": "62"})
            case "name":
                other.write("visits", {}, file="visits-1.csv")
            case "another file":
                other.write("visits", {})
                other.write("visits", file="visits-2.csv")
            case "batch":
                other.write("visits", {}, batch="2026-04")
            case "site":
                other.write("visits", {}, site="birch")
            case "kind":
                path = other.write("visits", {})
                path.rename(path.with_name("outcomes.csv"))
        assert self.digest(exports) != self.digest(other)

    def test_the_secret_the_protocols_and_the_rules_change_it(self, exports, monkeypatch):
        exports.write("visits", {})
        own, root = self.digest(exports), exports.workspace.root
        other_secret = Workspace(root, settings(), SECRET + b"!")
        more = settings().model_copy(
            update={"protocol": (Protocol(code="one", sessions_planned=1),)}
        )
        assert self.digest(Exports(other_secret)) != own
        assert self.digest(Exports(Workspace(root, more, SECRET))) != own
        monkeypatch.setattr(store, "contract_version", lambda: "another")
        assert self.digest(exports) != own

    def test_the_packages_own_code_is_part_of_the_rules(self, monkeypatch, tmp_path):
        before = store.rules_version()
        package = Path(store.__file__).parent
        copy = tmp_path / "ingest"
        shutil.copytree(package, copy)
        monkeypatch.setattr(store.resources, "files", lambda _: copy)
        assert store.rules_version() == before
        with (copy / "checks.py").open("a") as rules:
            rules.write("# another rule\n")
        assert store.rules_version() != before

    def test_the_mapping_changes_it(self, exports):
        exports.write("visits", {})
        export = find_exports(exports.workspace).exports[0]
        run = run_digest(exports.workspace)
        assert unit_digest(export, run, b"one") != unit_digest(export, run, b"two")

    def test_settings_of_another_kind_do_not(self, exports):
        exports.write("visits", {})
        own = self.digest(exports)
        changed = settings().model_copy(update={"numbers": settings().numbers})
        assert self.digest(Exports(Workspace(exports.workspace.root, changed, SECRET))) == own


class TestRerun:
    def test_it_finds_every_unit_and_touches_nothing(self, exports):
        fill(exports)
        first = exports.read()
        assert not any(unit.cached for unit in first.units)
        before = {path: path.stat().st_mtime_ns for path in exports.workspace.root.rglob("*")}
        second = exports.read()
        assert all(unit.cached for unit in second.units)
        assert same(first, second)
        assert {path: path.stat().st_mtime_ns for path in before} == before

    def test_the_same_exports_give_the_same_bytes(self, make_exports):
        one, two = make_exports(name="one"), make_exports(name="two")
        for exports in (one, two):
            fill(exports)
        assert same(one.read(), two.read())
        assert stored(one.workspace) == stored(two.workspace)

    def test_one_changed_file_is_read_alone(self, exports):
        fill(exports)
        exports.read()
        exports.write("outcomes", {}, {"outcome_id": "O2", "value": "12"})
        read = [unit.kind for unit in exports.read().units if not unit.cached]
        assert read == ["outcomes"]

    @pytest.mark.parametrize("folder", ["accepted", "quarantine"])
    @pytest.mark.parametrize("damage", ["removed", "cut off", "emptied"])
    def test_a_stored_file_that_is_not_whole_is_written_again(self, exports, folder, damage):
        fill(exports)
        first = exports.read()
        whole = stored(exports.workspace)
        name = next(name for name in whole if name.startswith(f"{folder}/visits"))
        path = exports.workspace.root / name
        match damage:
            case "removed":
                path.unlink()
            case "cut off":
                path.write_bytes(whole[name][:-20])
            case "emptied":
                path.write_bytes(b"")
        assert same(exports.read(), first)
        assert stored(exports.workspace) == whole


KILLED_AT = """
import os, signal, sys
from pathlib import Path
from ingest import ingest
from pipeline.workspace import Workspace
from tests.ingest.invented import SECRET, settings

rename, left = Path.rename, int(sys.argv[2])

def kill_before_the_rename(self, target):
    global left
    left -= 1
    if left == 0:
        os.kill(os.getpid(), signal.SIGKILL)
    return rename(self, target)

Path.rename = kill_before_the_rename
ingest(Workspace(Path(sys.argv[1]), settings(), SECRET))
"""


def run_killed_at(workspace: Workspace, renames: int) -> int:
    """Ingest in a process of its own that is killed right before its n-th rename."""
    command = [sys.executable, "-c", KILLED_AT, str(workspace.root), str(renames)]
    return subprocess.run(
        command, cwd=Path(__file__).parents[2], check=False, env=os.environ | {"PYTHONPATH": "."}
    ).returncode


def test_a_run_killed_between_writing_and_renaming_leaves_nothing_half_done(make_exports):
    untouched = make_exports(name="untouched")
    fill(untouched)
    expected = untouched.read()
    whole = stored(untouched.workspace)

    exports = make_exports(name="killed")
    fill(exports)
    for renames in (1, 2, 3):
        assert run_killed_at(exports.workspace, renames) == -signal.SIGKILL
        left = stored(exports.workspace)
        assert any(name.endswith(store.PARTIAL) for name in left)
        finished = {name: left[name] for name in left if not name.endswith(store.PARTIAL)}
        assert finished.items() <= whole.items()
    assert same(exports.read(), expected)
    assert stored(exports.workspace) == whole


def test_a_failure_while_writing_leaves_no_finished_file(exports, monkeypatch):
    exports.write("visits", {}, {"visit_id": "V2", "visit_date": ""})

    def full_disk(_, path, **__):
        path.write_bytes(b"half of it")
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(pl.LazyFrame, "sink_parquet", full_disk)
        with pytest.raises(OSError, match="No space left"):
            exports.read()
    assert stored(exports.workspace) == {}
    assert exports.read().files["accepted"].to_list() == [1]


def test_the_quarantine_is_written_before_the_accepted_rows(exports, monkeypatch):
    exports.write("visits", {}, {"visit_id": "V2", "visit_date": ""})
    written = []
    write = units.write_parquet

    def note(frame, path, *more):
        written.append(path.relative_to(exports.workspace.root).parts[0])
        write(frame, path, *more)

    monkeypatch.setattr(units, "write_parquet", note)
    exports.read()
    assert written == ["quarantine", "accepted"]


def test_scratch_of_a_killed_run_is_removed(exports):
    exports.write("visits", {})
    left = exports.workspace.accepted / f"{store.SCRATCH}left"
    left.mkdir(parents=True)
    (left / "000000.parquet").write_bytes(b"rows")
    exports.read()
    assert [path.name for path in exports.workspace.accepted.iterdir()] == ["visits"]
