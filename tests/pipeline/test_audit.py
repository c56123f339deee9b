"""`lidcohort audit`: what could single out a patient, the setting that cures it, and its status."""

import json
import shutil

import duckdb
import polars as pl
import pytest

from pipeline.cli import carry_out
from pipeline.workspace import Workspace, key_file


@pytest.fixture
def published(root, stages, lidcohort, current):
    """A release that counts small groups: of 40 patients 5 are alone by all, 1 by less."""
    lidcohort("run")
    with duckdb.connect(str(root / "current" / "warehouse.duckdb")) as connection:
        connection.sql("create schema quality")
        connection.sql(
            "create table quality.small_groups as select * from (values "
            "('site, age_band, sex, first_month', 40, 20, 1, 20, 40, 5, 4),"
            "('site, first_month', 40, 4, 1, 1, 1, 1, 1)"
            ") as t(known, patients, groups, smallest_group, small_groups, "
            "patients_in_small_groups, patients_alone, patients_rare)"
        )
    shutil.rmtree(root / "current" / "tables")
    (root / "current" / "tables").mkdir(mode=0o700)
    return root


@pytest.fixture
def told(lidcohort, capsys):
    """The exit status of `audit --json`, and what it says."""

    def audit(*more):
        capsys.readouterr()
        status = lidcohort("audit", "--json", *more)
        content = json.loads(capsys.readouterr().out)
        assert content["exit_status"] == status
        return status, content

    return audit


def whats(content, *, cure_now):
    return [one["what"] for one in content["findings"] if one["cure_now"] is cure_now]


def test_a_sound_release_has_nothing_to_cure(published, told, current):
    status, content = told()
    assert (status, content["outcome"], content["release"]) == (0, "sound", current())
    assert whats(content, cure_now=True) == []
    assert content["small_groups"][0]["patients_alone"] == 5


def test_who_stands_alone_is_counted_with_the_setting_that_cures_it(published, told):
    _, content = told()
    [finding] = [one for one in content["findings"] if "5 of 40 patients alone" in one["what"]]
    assert 'leave_out = ["age_years", "sex"], which leaves 1 alone' in finding["cure"]


def test_with_age_and_sex_left_out_it_says_what_no_setting_cures(published, told, lidcohort):
    manifest = published / "current" / "manifest.json"
    content = json.loads(manifest.read_text())
    content["settings"]["privacy"]["leave_out"] = ["age_years", "sex", "operator"]
    manifest.write_text(json.dumps(content))
    _, content = told()
    [what] = whats(content, cure_now=False)
    assert "clinic and month of the first visit finds 1 of 40" in what


def test_a_small_count_that_leaves_a_clinic_ends_it_badly(published, told, capsys, lidcohort):
    pl.DataFrame({"asked": [3]}).write_parquet(published / "current" / "tables" / "safety.parquet")
    status, content = told()
    assert (status, content["outcome"]) == (6, "to_cure")
    assert whats(content, cure_now=True) == [
        "safety.parquet shows counts from 1 to 10 under 'asked' (1)."
    ]
    assert lidcohort("audit") == 6
    assert "To cure before anything is handed on:" in capsys.readouterr().out


def test_a_key_that_leaves_a_clinic_ends_it_badly(published, told):
    (published / "current" / "dashboards" / "safety.html").write_text("0123456789abcdef-r")
    assert told()[0] == 6


@pytest.mark.parametrize("name", ["accepted", "releases", "runs.jsonl"])
def test_what_others_can_read_ends_it_badly(published, told, name):
    (published / name).chmod(0o755)
    status, content = told()
    assert status == 6
    [finding] = [one for one in content["findings"] if one["cure_now"]]
    assert finding["cure"] == f"`chmod go= {published / name}`."


def test_a_low_limit_is_pointed_out(published, told):
    manifest = published / "current" / "manifest.json"
    content = json.loads(manifest.read_text())
    content["settings"]["privacy"]["hide_counts_below"] = 3
    manifest.write_text(json.dumps(content))
    assert "Counts from 3 on are shown outside their clinic." in whats(told()[1], cure_now=False)


def test_an_older_release_can_be_named(published, told, stages, lidcohort, current):
    older = current()
    stages.digest = "1" * 64
    lidcohort("run")
    assert told(older)[1]["release"] == older
    assert current() != older


def test_no_such_release_and_none_at_all_are_wrong_use(root, lidcohort, capsys, stages):
    (root / "releases").mkdir()
    assert lidcohort("audit") == 2
    assert lidcohort("audit", "2025-06-30-0badc0de") == 2
    assert "There is no release 2025-06-30-0badc0de." in capsys.readouterr().err


def test_a_release_from_before_the_count_is_wrong_use(lidcohort, stages, capsys):
    lidcohort("run")
    assert lidcohort("audit") == 2
    assert "was made before small groups were counted" in capsys.readouterr().err


def test_what_a_command_writes_is_for_its_owner_only(published):
    for path in published.rglob("*"):
        if path.name not in ("group.toml", "group", "safety.parquet") and not path.is_symlink():
            assert not path.stat().st_mode & 0o077, path


@pytest.mark.parametrize("mode", [0o640, 0o604])
def test_a_key_that_others_can_read_is_refused(root, capsys, mode):
    key_file(root).chmod(mode)
    assert carry_out(["run", "--workspace", str(root)]) == 2
    assert f"`chmod 600 {key_file(root)}`" in capsys.readouterr().err
    key_file(root).chmod(0o600)
    assert Workspace.open(root).key
