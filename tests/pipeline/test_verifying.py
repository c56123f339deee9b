"""`lidcohort verify`: whatever was changed in a release is named, down to a single byte."""

import json

import duckdb
import pytest

from pipeline import verifying
from pipeline.voice import Voice
from pipeline.workspace import Release, Workspace


@pytest.fixture
def release(root, stages, lidcohort):
    """A release of stand-ins, made and then left alone."""
    lidcohort("run")
    return (root / "current").resolve()


def differences(root, release):
    workspace = Workspace.open(root)
    made = Release(release, workspace.settings, verifying._as_of(release))
    return verifying.differences(made, Voice(quiet=True), thorough=False)


def flip(path, at):
    content = bytearray(path.read_bytes())
    content[at] ^= 1
    path.write_bytes(content)


KINDS = {
    "a page": "dashboards/index.html",
    "a shared table": "tables/safety.parquet",
    "settings": "inputs/settings/sites.parquet",
    "counts": "inputs/quality/files.parquet",
    "accepted rows": f"inputs/visits/site=alder/batch=2025-06/{'0' * 64}.parquet",
    "the warehouse": "warehouse.duckdb",
    "the manifest": "manifest.json",
}


@pytest.mark.parametrize("name", KINDS.values(), ids=KINDS.keys())
@pytest.mark.parametrize("part", [0, 0.25, 0.5, 0.75, 1])
def test_a_flipped_byte_is_found_wherever_it_is(root, release, name, part):
    assert differences(root, release) == []
    path = release / name
    flip(path, round(part * (path.stat().st_size - 1)))
    [line] = differences(root, release)
    assert line.startswith(f"{name}: ")


def test_every_byte_of_a_manifest_counts(root, release):
    path = release / "manifest.json"
    whole = path.read_bytes()
    for at in range(len(whole)):
        flip(path, at)
        assert differences(root, release), f"byte {at} can be changed unnoticed"
        path.write_bytes(whole)
    assert differences(root, release) == []


def test_a_stray_file_a_folder_and_a_link_are_named(root, release):
    (release / "notes.txt").write_text("mine")
    (release / "warehouse.duckdb.wal").write_text("")
    (release / "tables" / "old").mkdir()
    (release / "dashboards" / "out").symlink_to("/")
    assert differences(root, release) == [
        f"{name}: is not in the manifest"
        for name in ("dashboards/out", "notes.txt", "tables/old", "warehouse.duckdb.wal")
    ]


def test_what_is_missing_or_replaced_is_named(root, release):
    (release / "dashboards" / "index.html").unlink()
    (release / "tables" / "safety.parquet").unlink()
    (release / "tables" / "safety.parquet").symlink_to("elsewhere")
    assert differences(root, release) == [
        "dashboards: is not in the manifest",  # the folder, now that nothing is in it
        "dashboards/index.html: is missing",
        "tables/safety.parquet: is no file any more",
    ]
    (release / "warehouse.duckdb").unlink()
    assert "warehouse.duckdb: is missing" in differences(root, release)


def test_a_release_that_others_may_enter_is_named(root, release):
    release.chmod(0o755)
    page = release / "dashboards" / "index.html"
    page.chmod(0o666)
    assert differences(root, release) == [
        f"{release.name}: its mode is 755, not 700",
        "dashboards/index.html: others may write in it (mode 666)",
    ]


def test_a_warehouse_says_which_tables_differ(root, release):
    with duckdb.connect(str(release / "warehouse.duckdb")) as connection:
        connection.sql("create table cohorts.mine as select 1 as one")
        connection.sql("update cohorts.safety set sessions = 2")
    [line] = differences(root, release)
    assert line == ("warehouse.duckdb: its bytes differ; so do cohorts.mine, cohorts.safety")


def test_a_warehouse_that_was_only_opened_holds_what_it_held(root, release):
    with duckdb.connect(str(release / "warehouse.duckdb")) as connection:
        connection.sql("create table cohorts.mine as select 1 as one")
        connection.sql("drop table cohorts.mine")
        connection.sql("checkpoint")
    assert differences(root, release) == [
        "warehouse.duckdb: its bytes differ; its tables hold what they held"
    ]


def test_the_command_says_what_differs_and_ends_with_5(root, release, lidcohort, capsys):
    flip(release / "dashboards" / "index.html", 3)
    (release / "notes.txt").write_text("mine")
    capsys.readouterr()
    assert lidcohort("verify", "--quiet") == 5
    assert capsys.readouterr().err == (
        f"Error: {release.name} is not as its manifest says:\n"
        "  notes.txt: is not in the manifest\n"
        "  dashboards/index.html: its bytes differ\n"
        "Put its folder back from a backup, or have people read another one: `lidcohort "
        "rollback`.\n"
    )


def test_a_long_list_is_cut(root, release, lidcohort, capsys):
    for number in range(25):
        (release / f"{number}.txt").write_text("mine")
    lidcohort("verify")
    assert "\n  and 5 more\n" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("name", "said"),
    [("2025-06-30-0badc0de", "is no release that is kept"), ("../current", "is no release")],
)
def test_a_release_that_is_not_there_is_named(release, lidcohort, capsys, name, said):
    assert lidcohort("verify", name) == 2
    assert said in capsys.readouterr().err


def test_without_a_release_there_is_nothing_to_prove(root, lidcohort, capsys):
    assert lidcohort("verify") == 2
    assert "Nothing has been published yet." in capsys.readouterr().err


def test_a_release_without_a_manifest_is_damaged(release, lidcohort, capsys):
    (release / "manifest.json").unlink()
    for named in ((), (release.name,)):
        assert lidcohort("verify", *named) == 5
        assert f"{release.name} has no manifest." in capsys.readouterr().err


def test_a_release_from_before_digests_cannot_be_proved(release, lidcohort, capsys):
    manifest = json.loads((release / "manifest.json").read_text())
    for name in ("files", "tables", "warehouse", "digest"):
        del manifest[name]
    (release / "manifest.json").write_text(json.dumps(manifest))
    assert lidcohort("verify") == 1
    assert "was made before manifests held digests" in capsys.readouterr().err


def test_a_run_stops_before_it_sweeps_what_people_read(release, stages, lidcohort, capsys):
    (release / "manifest.json").unlink()
    stages.digest = "1" * 64
    assert lidcohort("run") == 5
    assert "manifest.json, of what people read, is gone." in capsys.readouterr().err
    assert (release / "warehouse.duckdb").is_file()


def test_a_damaged_manifest_ends_a_run_in_one_line(release, lidcohort, capsys):
    (release / "manifest.json").write_text("{")
    assert lidcohort("run") == 5
    assert "manifest.json is damaged. Put the release's folder back" in capsys.readouterr().err


def test_counts_that_do_not_add_up_are_named(demo_release):
    manifest = json.loads(demo_release.manifest.read_text())
    assert list(verifying._counts(demo_release.root, manifest)) == []
    [unit] = [unit for unit in manifest["units"] if unit["kind"] == "visits"][:1]
    other = {**manifest, "units": [{**unit, "digest": "0" * 32}]}
    [line] = [
        line for line in verifying._counts(demo_release.root, other) if " rows accepted " in line
    ]
    assert line.endswith("are told of, 0 lie there")


def test_a_demo_is_proved_with_its_gate(demo_workspace, demo_release, capsys):
    from pipeline.cli import carry_out

    capsys.readouterr()
    assert carry_out(["verify", "--workspace", str(demo_workspace.root)]) == 0
    said = capsys.readouterr().out
    assert f"{demo_release.name} is as its manifest says: every file to the byte" in said
    assert "The built gate finds in it what it found." in said
    manifest = json.loads(demo_release.manifest.read_text())
    manifest["gates"][-1]["observed"] = "something else"
    assert list(verifying._told_results(demo_release, manifest)) == [
        "quality.gate_results: tells of other results than the manifest"
    ]
    assert list(verifying._results_anew(demo_release, manifest)) == [
        f"built gate, {manifest['gates'][-1]['expectation']}: finds something else than it found"
    ]
    manifest["rows"]["cohorts.safety"] += 1
    assert "other counts" in next(verifying._told_results(demo_release, manifest))
