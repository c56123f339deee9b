"""`lidcohort rollback`: an older release is read again, and stays so until something changes."""

import json

import pytest

from pipeline import release as releases
from pipeline import rollback
from pipeline.seal import sealed
from pipeline.workspace import Workspace, key_file


@pytest.fixture
def names(root, stages, lidcohort, current):
    """Three releases, the newest of which is read."""
    made = []
    for number in range(3):
        stages.digest = str(number) * 64
        assert lidcohort("run") == 0
        made.append(current())
    return made


@pytest.fixture
def told(capsys):
    def said():
        output = capsys.readouterr()
        return output.out + output.err

    return said


def in_force(root):
    return rollback.in_force(Workspace.open(root))


def test_the_release_made_before_is_read_again(names, root, lidcohort, current, told):
    told()
    assert lidcohort("rollback") == 0
    assert current() == names[1]
    said = told()
    assert f"People read {names[1]} now; before they read {names[2]}." in said
    assert f"Back again: `lidcohort rollback {names[2]} --workspace {root}`." in said
    record = json.loads((root / "runs.jsonl").read_text().splitlines()[-1])
    assert (record["command"], record["outcome"], record["release"]) == (
        "rollback",
        "rolled_back",
        names[1],
    )


def test_the_next_run_does_not_bring_back_what_was_set_aside(names, lidcohort, current, told):
    lidcohort("rollback", names[0])
    told()
    assert lidcohort("run") == 0
    assert current() == names[0]
    said = told()
    assert f"Nothing new: {names[2]} holds every export, but was set aside on " in said
    assert f"`lidcohort rollback {names[2]} --workspace" in said


def test_new_exports_end_a_rollback_and_the_run_says_so(
    names, root, stages, lidcohort, current, told
):
    lidcohort("rollback")
    stages.digest = "3" * 64
    told()
    assert lidcohort("run") == 0
    assert current() not in names
    assert f"Warning: This ends the rollback to {names[1]} of " in told()
    assert not (root / "rolled_back.json").exists()


def test_going_back_twice_sets_both_aside(names, root, stages, lidcohort, current):
    lidcohort("rollback")
    lidcohort("rollback")
    assert current() == names[0]
    assert in_force(root).aside == (names[2], names[1])
    for number in (1, 2):
        stages.digest = str(number) * 64
        assert lidcohort("run") == 0
        assert current() == names[0]


def test_the_newest_is_read_again_where_it_is_named(names, root, lidcohort, current):
    lidcohort("rollback", names[0])
    assert lidcohort("rollback", names[1]) == 0
    assert in_force(root).aside == (names[2],)
    assert lidcohort("rollback", names[2]) == 0
    assert current() == names[2]
    assert in_force(root) is None
    assert not (root / "rolled_back.json").exists()


def test_what_is_read_already_stays(names, lidcohort, current, told):
    told()
    assert lidcohort("rollback", names[2]) == 0
    assert f"People read {names[2]} already." in told()
    assert current() == names[2]


def test_status_tells_of_a_rollback(names, lidcohort, told):
    lidcohort("rollback", names[0])
    told()
    lidcohort("status")
    said = told()
    assert f"Rollback   people read {names[0]} since " in said
    assert f"set aside: {names[2]}" in said


def test_a_list_whose_switch_never_came_binds_nobody(names, root, lidcohort, monkeypatch, current):
    def killed(*_):
        raise KeyboardInterrupt

    with monkeypatch.context() as broken:
        broken.setattr(releases, "switch", killed)
        assert lidcohort("rollback") == 1
    assert current() == names[2]
    assert in_force(root) is None
    assert lidcohort("run") == 0
    assert current() == names[2]
    assert not (root / "rolled_back.json").exists()


@pytest.mark.parametrize(
    ("named", "said"),
    [
        ("2025-06-30-0badc0de", "2025-06-30-0badc0de is no release that is kept. Kept are "),
        ("../../elsewhere", "../../elsewhere is no release that is kept. Kept are "),
    ],
)
def test_a_release_that_is_not_there_is_named(names, lidcohort, current, told, named, said):
    told()
    assert lidcohort("rollback", named) == 2
    assert said in told()
    assert current() == names[2]


def test_there_may_be_nothing_older(root, stages, lidcohort, current, told):
    assert lidcohort("rollback") == 2
    assert "Nothing has been published yet." in told()
    lidcohort("run")
    assert lidcohort("rollback") == 2
    assert f"No release older than {current()} is kept." in told()


def test_a_damaged_release_is_not_gone_back_to(names, root, lidcohort, current, told):
    (root / "releases" / names[1] / "dashboards" / "index.html").write_text("as changed")
    told()
    assert lidcohort("rollback") == 5
    assert (
        f"Error: {names[1]} is not as its manifest says: dashboards/index.html: its bytes differ."
        in told()
    )
    assert current() == names[2]


def test_a_release_of_another_key_is_not_gone_back_to(names, root, lidcohort, current, told):
    path = root / "releases" / names[1] / "manifest.json"
    manifest = json.loads(path.read_text()) | {"key_fingerprint": "another"}
    path.write_text(sealed({name: manifest[name] for name in manifest if name != "digest"}))
    told()
    assert lidcohort("rollback") == 2
    assert f"{names[1]} was made with another key than the group's." in told()
    assert current() == names[2]
    assert key_file(root).is_file()


def test_a_release_from_before_digests_is_gone_back_to_with_a_warning(
    names, root, lidcohort, current, told
):
    path = root / "releases" / names[1] / "manifest.json"
    manifest = json.loads(path.read_text())
    for name in ("files", "tables", "warehouse", "digest"):
        del manifest[name]
    path.write_text(json.dumps(manifest))
    assert lidcohort("rollback") == 0
    assert f"Warning: {names[1]} was made before manifests held digests" in told()
    assert current() == names[1]
