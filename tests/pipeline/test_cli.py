"""The command line: exit statuses, and one clear line for wrong use."""

import json
import stat
import subprocess
import sys
from importlib.metadata import version

import pytest

from pipeline import beginnings
from pipeline.cli import carry_out
from pipeline.settings import EXAMPLE_SETTINGS
from pipeline.workspace import Workspace, key_file


@pytest.mark.parametrize(
    "command",
    [
        *("demo", "run", "check", "status", "new", "reveal", "pack"),
        *("rollback", "verify", "audit", "rekey", "query", "compare", "define"),
    ],
)
def test_every_command_explains_itself(command, capsys):
    assert carry_out([command, "--help"]) == 0
    assert f"Usage: lidcohort {command}" in capsys.readouterr().out


def test_no_command_shows_the_help(capsys):
    assert carry_out([]) == 0
    assert "--quiet" in capsys.readouterr().out


def test_the_version_is_the_packages(capsys):
    assert carry_out(["--version"]) == 0
    assert capsys.readouterr().out == f"lidcohort {version('lidcohort')}\n"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["runn"], "No such command 'runn'"),
        (["run", "--work", "x"], "No such option"),
        (["new"], "Missing argument"),
        (["demo", "--patients", "many"], "--patients"),
        (["demo", "--patients", "0"], "--patients"),
        (["run", "--as-of", "June"], "--as-of June is no date. Write it like 2025-06-30."),
        (
            ["run", "--engine", "sparc"],
            "--engine sparc is no engine. Write --engine duckdb or spark.",
        ),
        (["run", "--workspace", "nowhere"], "does not exist. Make it with"),
        (["check", "--workspace", "nowhere"], "does not exist. Make it with"),
        (["status", "--workspace", "nowhere"], "does not exist. Make it with"),
    ],
)
def test_wrong_use_is_one_line_and_two(tmp_path, monkeypatch, root, capsys, arguments, said):
    monkeypatch.chdir(root if {"--as-of", "--engine"} & set(arguments) else tmp_path)
    assert carry_out(arguments) == 2
    told = capsys.readouterr()
    assert said in told.err
    assert told.err.startswith("Error: ")
    assert told.err.count("\n") == 1
    assert told.out == ""


def test_wrong_use_is_json_too_where_asked_for(capsys):
    assert carry_out(["runn", "--json"]) == 2
    told = json.loads(capsys.readouterr().out)
    assert told["exit_status"] == 2
    assert "No such command" in told["error"]["what"]


def test_without_a_key_nothing_is_read(root, capsys):
    key_file(root).unlink()
    assert carry_out(["run", "--workspace", str(root)]) == 2
    assert "Put back the key this workspace was made with" in capsys.readouterr().err


def test_a_short_key_is_refused(root, capsys):
    key_file(root).write_text("short\n")
    assert carry_out(["run", "--workspace", str(root)]) == 2
    assert "has 5 bytes, fewer than 16" in capsys.readouterr().err


def test_a_key_in_the_environment_goes_before_the_file(root, monkeypatch):
    monkeypatch.setenv("LIDCOHORT_KEY", "another invented key")
    assert Workspace.open(root).key == b"another invented key"


def test_new_makes_a_workspace_to_fill(tmp_path, capsys):
    root = tmp_path / "deep" / "tree_lane"
    assert carry_out(["new", str(root)]) == 0
    assert "Next: name your sites and protocols" in capsys.readouterr().out
    assert (root / "group.toml").read_bytes() == EXAMPLE_SETTINGS.read_bytes()
    assert sorted(path.name for path in (root / "exports").iterdir()) == ["alder", "birch"]
    assert stat.S_IMODE(key_file(root).stat().st_mode) == 0o600
    assert len(Workspace.open(root).key) == 64


PRESSES_CTRL_C_AT_AN_IMPORT = """
import importlib.abc, os, signal, sys
from pipeline.cli import main

class Presses(importlib.abc.MetaPathFinder):
    pressed = False
    def find_spec(self, name, path, target=None):
        if name == sys.argv[1] and not self.pressed:
            self.pressed = True
            os.kill(os.getpid(), signal.SIGINT)

sys.meta_path.insert(0, Presses())
main(sys.argv[2:])
"""


@pytest.mark.parametrize("imported", ["pipeline.commands", "pydantic", "duckdb"])
def test_ctrl_c_while_libraries_are_imported_is_one_line(root, imported):
    told = subprocess.run(
        [
            *(sys.executable, "-c", PRESSES_CTRL_C_AT_AN_IMPORT, imported),
            *("run", "--workspace", str(root)),
        ],
        capture_output=True,
        text=True,
    )
    assert (told.returncode, told.stdout) == (1, "")
    assert told.stderr == (
        "Error: Interrupted. Run the same command again to go on. Nothing has been published yet.\n"
    )


def test_ctrl_c_while_a_runs_libraries_are_imported_is_on_record(root, capsys):
    subprocess.run(
        [
            *(sys.executable, "-c", PRESSES_CTRL_C_AT_AN_IMPORT, "duckdb"),
            *("run", "--workspace", str(root)),
        ],
        capture_output=True,
    )
    assert carry_out(["status", "--workspace", str(root)]) == 0
    assert "Last run   interrupted, begun " in capsys.readouterr().out


def test_every_new_workspace_has_its_own_key(tmp_path):
    for name in ("a", "b"):
        carry_out(["new", str(tmp_path / name)])
    assert Workspace.open(tmp_path / "a").key != Workspace.open(tmp_path / "b").key


def test_new_fills_a_folder_without_settings_and_changes_nothing_in_it(tmp_path, capsys):
    root = tmp_path / "group"
    exported = root / "exports" / "birch" / "2025-06" / "visits.csv"
    exported.parent.mkdir(parents=True)
    exported.write_text("as exported")
    assert carry_out(["run", "--workspace", str(root)]) == 2
    assert f"`lidcohort new {root}`" in capsys.readouterr().err

    assert carry_out(["new", str(root)]) == 0
    assert exported.read_text() == "as exported"
    assert [path.name for path in (root / "exports").iterdir()] == ["birch"]
    assert Workspace.open(root).settings.site_codes == ("alder", "birch")


def test_new_never_writes_over_settings(tmp_path, capsys):
    assert carry_out(["new", str(tmp_path / "group")]) == 0
    (tmp_path / "group" / "group.toml").write_text("as edited")
    assert carry_out(["new", str(tmp_path / "group")]) == 2
    assert "group.toml is there already. Edit it" in capsys.readouterr().err
    assert (tmp_path / "group" / "group.toml").read_text() == "as edited"


def test_new_makes_no_workspace_of_a_file(tmp_path, capsys):
    (tmp_path / "file").write_text("as it was")
    assert carry_out(["new", str(tmp_path / "file")]) == 2
    assert "is a file. Name a folder." in capsys.readouterr().err
    assert not key_file(tmp_path / "file").exists()


def test_new_keeps_the_key_of_a_folder_that_lost_its_settings(root):
    with_it = key_file(root).read_text()
    (root / "group.toml").unlink()
    assert carry_out(["new", str(root)]) == 0
    assert key_file(root).read_text() == with_it


def test_new_never_writes_over_a_key(tmp_path, capsys):
    key_file(tmp_path / "group").write_text("of a workspace that was moved away")
    assert carry_out(["new", str(tmp_path / "group")]) == 2
    assert "A key lies at" in capsys.readouterr().err
    assert key_file(tmp_path / "group").read_text() == "of a workspace that was moved away"
    assert not (tmp_path / "group").exists()


def test_a_new_workspace_runs_into_no_exports(tmp_path, capsys):
    carry_out(["new", str(tmp_path / "group")])
    assert carry_out(["run", "--workspace", str(tmp_path / "group")]) == 2
    told = capsys.readouterr().err
    assert "There is no export in" in told
    assert told.strip().endswith("Nothing has been published yet.")


@pytest.fixture
def few_exports(monkeypatch):
    """A demo that only writes its settings, for tests of the folder around it."""

    def make_exports(folder, patients, seed, *, own_forms, on_progress):
        settings = EXAMPLE_SETTINGS.read_text().replace("invented = false", "invented = true")
        (folder / "group.toml").write_text(settings)
        (folder / "exports").mkdir()
        (folder / "truth").mkdir()

    monkeypatch.setattr(beginnings, "make_exports", make_exports)


def test_a_demo_is_made_again_over_a_demo(tmp_path, stages, few_exports, capsys):
    folder = tmp_path / "a" / "demo"
    for _ in range(2):
        assert carry_out(["demo", str(folder)]) == 0
        assert capsys.readouterr().out.endswith(f"{folder}/current/dashboards/index.html\n")


def test_a_demo_goes_to_its_own_folder_if_none_is_named(tmp_path, stages, few_exports, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert carry_out(["demo"]) == 0
    assert (tmp_path / "lidcohort-demo" / "current").is_symlink()


def test_a_demo_can_be_run_like_any_workspace(tmp_path, stages, few_exports):
    carry_out(["demo", str(tmp_path / "demo")])
    assert carry_out(["run", "--workspace", str(tmp_path / "demo")]) == 0
    assert stages.called.count("publish") == 1


def test_a_demo_never_writes_over_something_else(root, stages, few_exports, capsys):
    before = (root / "group.toml").read_bytes()
    assert carry_out(["demo", str(root)]) == 2
    assert "is there already and is no demo" in capsys.readouterr().err
    assert (root / "group.toml").read_bytes() == before


def test_a_demo_never_writes_over_a_key(tmp_path, stages, few_exports, capsys):
    key_file(tmp_path / "demo").write_text("of a real group")
    assert carry_out(["demo", str(tmp_path / "demo")]) == 2
    assert key_file(tmp_path / "demo").read_text() == "of a real group"
