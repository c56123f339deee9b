"""What people read before is an input of a release, and only that."""

from datetime import date
from decimal import Decimal

import polars as pl
import pytest

from pipeline import release as releases
from pipeline.published import Published, published_by, taken_in
from pipeline.release import read_manifest

JUNE = ("alder", "2025-06", date(2025, 6, 30))


def before(root) -> Published:
    return taken_in(root / "current" / "inputs")


def test_a_first_release_is_held_against_nothing(stages, lidcohort, root):
    stages.figures = {"sessions": 52}
    lidcohort("run")
    assert all(frame.is_empty() for frame in before(root).frames.values())


def test_the_next_release_takes_in_what_the_one_before_said_and_read(
    stages, lidcohort, root, current
):
    stages.figures = {"sessions": 52, "completed": 9}
    lidcohort("run")
    first = current()
    stages.digest = "1" * 64
    stages.figures = {"sessions": 53}
    lidcohort("run")
    taken = before(root)
    assert taken.releases["release"].to_list() == [first]
    assert taken.units.rows() == [("alder", "2025-06", "visits", "0" * 64)]
    assert taken.month_figures.rows() == [
        (*JUNE, "completed", Decimal(9)),
        (*JUNE, "sessions", Decimal(52)),
    ]
    now = pl.read_parquet(root / "current" / "inputs" / "settings" / "units.parquet")
    assert now.rows() == [("alder", "2025-06", "visits", "1" * 64)]


def test_a_release_from_before_figures_were_kept_has_none_to_give(stages, lidcohort, root, current):
    lidcohort("run")
    first = current()
    stages.digest = "1" * 64
    lidcohort("run")
    assert before(root).releases["release"].to_list() == [first]
    assert before(root).month_figures.is_empty()
    assert before(root).month_figures.schema == Published().month_figures.schema


def test_the_same_exports_after_other_figures_make_another_release(
    stages, lidcohort, root, current
):
    """What it is held against is in it, so its name must tell it apart."""
    names = []
    for sessions in (52, 53):
        stages.digest, stages.figures = "0" * 64, {"sessions": sessions}
        lidcohort("run")
        stages.digest = "1" * 64
        lidcohort("run")
        names.append(current())
        for folder in (root / "releases").iterdir():
            releases.remove(folder)
        (root / "current").unlink()
    assert names[0] != names[1]


def test_a_release_that_died_before_its_manifest_is_made_again_the_same(
    stages, lidcohort, root, current
):
    stages.figures = {"sessions": 52}
    lidcohort("run")
    stages.digest = "1" * 64

    def die() -> None:
        raise RuntimeError("a slip")

    stages.before["publish"] = die
    lidcohort("run")
    [failed] = [path for path in (root / "releases").iterdir() if read_manifest(path) is None]
    stages.before.clear()
    lidcohort("run")
    assert current() == failed.name
    assert before(root).month_figures.height == 1


def test_a_release_that_died_before_the_switch_is_the_one_that_is_read(
    stages, lidcohort, root, current, monkeypatch
):
    """It is complete, and not held against itself or anything later."""
    lidcohort("run")
    first = current()
    stages.digest = "1" * 64

    def die(*_: object) -> None:
        raise RuntimeError("a slip")

    with monkeypatch.context() as dying:
        dying.setattr(releases, "switch", die)
        lidcohort("run")
    assert current() == first
    [second] = {path.name for path in (root / "releases").iterdir()} - {first}
    lidcohort("run")
    assert current() == second
    assert before(root).releases["release"].to_list() == [first]
    assert {path.name for path in (root / "releases").iterdir()} == {first, second}


@pytest.mark.parametrize("times", [1, 3])
def test_nothing_new_is_nothing_new_however_often(stages, lidcohort, root, current, times):
    stages.figures = {"sessions": 52}
    lidcohort("run")
    stages.digest = "1" * 64
    lidcohort("run")
    second = current()
    for _ in range(times):
        lidcohort("run")
    assert current() == second
    assert len(list((root / "releases").iterdir())) == 2


def test_a_check_changes_nothing_of_it(stages, lidcohort, root, current):
    lidcohort("run")
    stages.digest = "1" * 64
    lidcohort("check")
    lidcohort("run")
    assert before(root).releases.height == 1


def test_a_release_older_than_such_inputs_was_held_against_nothing(tmp_path):
    assert all(frame.is_empty() for frame in taken_in(tmp_path).frames.values())


def test_a_release_says_its_own_figures_whatever_it_was_held_against(
    stages, lidcohort, root, current
):
    stages.figures = {"sessions": 52}
    lidcohort("run")
    stages.digest, stages.figures = "1" * 64, {"sessions": 60}
    lidcohort("run")
    folder = (root / "current").resolve()
    says = published_by(folder, read_manifest(folder))
    assert says.month_figures.rows() == [(*JUNE, "sessions", Decimal(60))]
    assert says.releases["release"].to_list() == [current()]
