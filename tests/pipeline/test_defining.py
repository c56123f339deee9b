"""`lidcohort define`: what it keeps, what it refuses, and that the next run builds anew."""

import json
import stat
import time

import pytest

from ingest import ingest
from models.build import BuildFailed
from models.previewing import Preview
from pipeline import defining
from pipeline import run as flow
from pipeline.comparing import _causes
from pipeline.lock import hold
from pipeline.workspace import lock_file
from tests.pipeline.test_hostile_settings import HOSTILE, SOON

COHORT = """
kind = "cohort"
title = "At alder"
question = "How do alder's own patients respond?"
[where]
site = ["alder"]
"""
RULE = """
kind = "response rule"
title = "Ten points"
words = "Ten points of the score."
measure = "osdi"
source = "common practice, no source"
band = [{ at_least = 13, change = 10 }]
"""


@pytest.fixture
def previewed(monkeypatch):
    """A stand-in for looking a definition up in the release: what it finds, and what it was asked.

    With few mature courses, so that what is said of small counts is said.
    """
    asked = []

    def preview(release, name, definition):
        asked.append((release.name, name))
        return Preview("course", {"symptoms": 8}, selected=12, mature=10, patients=11, clinics=1)

    monkeypatch.setattr(defining, "preview", preview)
    return asked


@pytest.fixture
def written(tmp_path):
    """Write a definition outside the workspace."""

    def write(name="at_alder", text=COHORT):
        path = tmp_path / f"{name}.toml"
        path.write_text(text)
        return str(path)

    return write


@pytest.fixture
def kept(root):
    return lambda: sorted(path.name for path in (root / "definitions").glob("*"))


def told(capsys):
    output = capsys.readouterr()
    return output.out + output.err


def test_a_definition_is_kept_for_the_owner_only(root, lidcohort, written, kept, capsys):
    assert lidcohort("define", written()) == 0
    path = root / "definitions" / "at_alder.toml"
    assert path.read_text() == COHORT
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    said = told(capsys)
    assert (
        "at_alder is a cohort: At alder\n  site, the clinic, by its code in group.toml: alder\n"
        in said
    )
    assert "What it selects is told once a release" in said
    assert "Next: `lidcohort run" in said
    assert lidcohort("define", written()) == 0
    assert f"Kept already as {path}." in told(capsys)
    assert kept() == ["at_alder.toml"]


def test_it_says_what_the_current_release_holds_of_it(
    root, stages, lidcohort, previewed, written, current, capsys
):
    assert lidcohort("run", "--quiet") == 0
    assert lidcohort("define", written()) == 0
    assert previewed == [(current(), "at_alder")]
    said = told(capsys)
    assert f"It holds 12 courses of 11 patients at 1 clinic in {current()}; mature: 10." in said
    assert "Evaluable, in courses or eyes: symptoms 8." in said
    assert "Warning: Fewer than 11 mature courses are in at_alder" in said
    assert lidcohort("define", written("ten", RULE), "--json") == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["definition"] == "ten"
    assert answer["selected"]["mature"] == 10


def test_what_cannot_be_looked_up_is_not_kept(
    root, stages, lidcohort, written, kept, monkeypatch, capsys
):
    def fails(*_):
        raise BuildFailed(["no such macro"])

    monkeypatch.setattr(defining, "preview", fails)
    assert lidcohort("run", "--quiet") == 0
    assert lidcohort("define", written()) == 2
    assert "could not be looked up. Prove that release" in told(capsys)
    assert kept() == []


def test_another_definition_of_the_name_is_kept_only_with_replace(
    root, lidcohort, written, kept, capsys
):
    lidcohort("define", written())
    capsys.readouterr()
    assert lidcohort("define", written("at_alder", RULE)) == 2
    said = told(capsys)
    assert "is there already and says something else. Give the new one another name" in said
    assert (root / "definitions" / "at_alder.toml").read_text() == COHORT
    assert lidcohort("define", written("at_alder", RULE), "--replace") == 0
    assert (root / "definitions" / "at_alder.toml").read_text() == RULE
    assert kept() == ["at_alder.toml"]


def test_a_file_that_lies_there_already_is_checked(root, lidcohort, capsys):
    path = root / "definitions" / "at_alder.toml"
    path.parent.mkdir()
    path.write_text(COHORT)
    assert lidcohort("define", str(path)) == 0
    assert "Kept already" in told(capsys)
    path.write_text(COHORT.replace("alder", "birch"))
    assert lidcohort("define", str(path)) == 2
    assert "'birch' is not in group.toml" in told(capsys)


@pytest.mark.parametrize(("text", "said"), HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_definition_is_one_short_line(
    root, lidcohort, tmp_path, kept, capsys, text, said
):
    path = tmp_path / "mine.toml"
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    began = time.monotonic()
    assert lidcohort("define", str(path)) == 2
    assert time.monotonic() - began < SOON
    told_of = capsys.readouterr().err
    assert told_of.startswith(f"Error: {path}: ")
    assert said in told_of or "kind is missing" in told_of
    assert told_of.count("\n") == 1
    assert len(told_of) < 1000
    assert kept() == []


def test_what_is_no_file_is_not_read(root, lidcohort, tmp_path, capsys):
    endless = tmp_path / "endless.toml"
    endless.symlink_to("/dev/zero")
    for path in (endless, tmp_path, tmp_path / "gone.toml"):
        assert lidcohort("define", str(path)) == 2
        assert "is no file. Name a TOML file" in told(capsys)


@pytest.mark.parametrize(
    "arguments",
    [(), ("x.toml", "--list"), ("--list", "--remove", "x"), ("x.toml", "--remove", "y")],
)
def test_it_takes_one_thing(root, lidcohort, arguments, capsys):
    assert lidcohort("define", *arguments) == 2
    assert "takes a file, --list, or --remove with a name. For instance" in told(capsys)


def test_no_more_than_a_hundred_are_kept(root, lidcohort, written, monkeypatch, capsys):
    monkeypatch.setattr(defining, "MOST_DEFINITIONS", 1)
    assert lidcohort("define", written()) == 0
    assert lidcohort("define", written("other")) == 2
    assert "holds 1 definitions already. Remove one" in told(capsys)
    assert lidcohort("define", written("at_alder", RULE), "--replace") == 0


def test_a_run_builds_anew_what_is_defined_and_only_then(
    root, stages, lidcohort, previewed, written, current, capsys
):
    lidcohort("run", "--quiet")
    first = current()
    lidcohort("define", written())
    lidcohort("define", "--list")
    assert "at_alder: cohort, At alder (built by the next run)" in told(capsys)
    lidcohort("run", "--quiet")
    second = current()
    assert second != first
    manifest = json.loads((root / "current" / "manifest.json").read_text())
    assert manifest["definitions"]["at_alder"]["where"] == {"site": ["alder"]}
    assert (root / "current" / "inputs" / "definitions" / "cohorts.parquet").is_file()
    lidcohort("define", "--list")
    assert "at_alder: cohort, At alder (in the current release)" in told(capsys)
    assert lidcohort("run", "--quiet") == 0
    assert current() == second
    lidcohort("define", written("at_alder", RULE), "--replace")
    lidcohort("define", "--list")
    assert "Ten points (changed, built anew by the next run)" in told(capsys)
    lidcohort("define", "--remove", "at_alder")
    lidcohort("define", "--list")
    assert "At alder (taken away, gone with the next run)" in told(capsys)
    lidcohort("run", "--quiet")
    assert current() == first
    assert not (root / "current" / "inputs" / "definitions").exists()
    lidcohort("define", "--list")
    assert "Nothing is defined." in told(capsys)


def test_the_name_of_none_cannot_be_taken_away(root, lidcohort, written, kept, capsys):
    assert lidcohort("define", "--remove", "x") == 2
    assert "x is no definition that is kept; none is kept." in told(capsys)
    lidcohort("define", written())
    assert lidcohort("define", "--remove", "at_aldr") == 2
    assert "did you mean 'at_alder'?" in told(capsys)
    assert lidcohort("define", "--remove", "../group") == 2
    assert kept() == ["at_alder.toml"]
    assert (root / "group.toml").is_file()


@pytest.mark.parametrize("command", ["run", "check"])
def test_a_faulty_file_among_them_stops_before_the_exports_are_read(
    root, stages, lidcohort, capsys, command
):
    path = root / "definitions" / "at_alder.toml"
    path.parent.mkdir()
    path.write_text(COHORT.replace("alder", "birch"))
    assert lidcohort(command) == 2
    assert f"Error: {path}: where.site: 'birch' is not in group.toml" in told(capsys)
    assert stages.called == []


def test_while_a_run_holds_the_workspace_nothing_is_defined(root, lidcohort, written, kept):
    with hold(lock_file(root)):
        assert lidcohort("define", written()) == 4
    assert kept() == []


def test_definitions_are_told_as_causes():
    told_of = {"units": [], "as_of": "2025-05-31", "settings": {}, "code": "c"}
    one, other = {"kind": "cohort", "title": "a"}, {"kind": "cohort", "title": "b"}
    before = {**told_of, "definitions": {"gone": one, "changed": one, "same": one}}
    after = {**told_of, "definitions": {"new": one, "changed": other, "same": one}}
    assert _causes(before, after) == [
        "defined: new",
        "not defined any more: gone",
        "defined otherwise: changed",
    ]
    assert _causes(told_of, {**told_of, "definitions": {"new": one}}) == ["defined: new"]


def test_what_is_made_again_without_a_patient_keeps_its_definitions(
    root, stages, lidcohort, previewed, written, monkeypatch
):
    """Those it was made with, whatever is defined meanwhile."""
    monkeypatch.setattr(flow, "ingest", ingest)
    folder = root / "exports" / "alder" / "2025-06"
    folder.mkdir(parents=True)
    (folder / "visits.csv").write_text(
        "visit_id,patient_id,visit_date,visit_reason\nV1,P1,2025-06-02,course\n"
        "V2,P2,2025-06-02,course\n"
    )
    lidcohort("define", written())
    assert lidcohort("run", "--quiet") == 0
    lidcohort("define", written("at_alder", RULE), "--replace")
    assert lidcohort("forget", "--patient", "alder/P1", "--quiet") == 0
    manifest = json.loads((root / "current" / "manifest.json").read_text())
    assert [one["title"] for one in manifest["definitions"].values()] == ["At alder"]
    assert (root / "current" / "inputs" / "definitions" / "cohorts.parquet").is_file()
