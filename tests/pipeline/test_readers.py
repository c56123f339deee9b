"""A release that somebody reads stays until they are done, however old it is."""

import os
import subprocess
import sys
from contextlib import contextmanager

import pytest

from pipeline.errors import WrongUse
from pipeline.readers import has_strangers, held, reading, unread

OPENS = {
    "an open database": "import duckdb; kept = duckdb.connect('warehouse.duckdb', read_only=True)",
    "an open page": "import os; kept = open('dashboards/index.html'); os.chdir('/')",
    "a mapped table": (
        "import mmap, os; file = open('tables/safety.parquet', 'rb');"
        "kept = mmap.mmap(file.fileno(), 0, prot=mmap.PROT_READ); file.close(); os.chdir('/')"
    ),
    "a shell that stands in it": "pass",
}


@contextmanager
def stranger(release, opens):
    """Another process that has something of a release open and knows nothing of locks."""
    code = f"{opens}; print('open', flush=True); input()"
    pipe = subprocess.PIPE
    with subprocess.Popen(
        [sys.executable, "-c", code], cwd=release, stdin=pipe, stdout=pipe, text=True
    ) as process:
        assert process.stdout.readline() == "open\n"
        yield process
        process.stdin.close()


@pytest.fixture
def releases(root, stages, lidcohort, current):
    """Three releases, of which the oldest is read by whoever came early; one is kept."""
    settings = root / "group.toml"
    settings.write_text("[releases]\nkeep = 2\n" + settings.read_text())
    names = []
    for number in range(3):
        stages.digest = str(number) * 64
        lidcohort("run")
        names.append(current())
    settings.write_text(settings.read_text().replace("keep = 2", "keep = 1"))
    return [root / "releases" / name for name in names]


@pytest.mark.parametrize("opens", OPENS.values(), ids=OPENS.keys())
def test_what_a_stranger_has_open_is_kept_until_they_are_done(releases, lidcohort, capsys, opens):
    with stranger(releases[0], opens):
        assert lidcohort("run") == 0
        assert releases[0].is_dir()
        assert f"Too old to keep, but still read: {releases[0].name}" in capsys.readouterr().out
    assert lidcohort("run") == 0
    assert not releases[0].exists()
    assert f"Removed, as too old to keep: {releases[0].name}" in capsys.readouterr().out


def test_a_database_is_known_by_its_lock_where_there_is_no_proc(releases, tmp_path, monkeypatch):
    monkeypatch.setattr("pipeline.readers.PROCESSES", tmp_path)
    opens = OPENS["an open database"]
    assert not has_strangers(releases[0])
    with stranger(releases[0], opens):
        assert has_strangers(releases[0])


def test_what_a_reader_of_ours_holds_is_kept(root, releases, lidcohort):
    with held(releases[0]) as is_there:
        assert is_there
        lidcohort("run")
        assert releases[0].is_dir()
    lidcohort("run")
    assert not releases[0].exists()


def test_readers_do_not_keep_each_other_off(root, releases):
    with reading(root) as one, reading(root) as other:
        assert one == other == releases[2]


def test_a_release_that_is_being_removed_is_not_read(releases):
    with unread(releases[0]) as nobody_reads_it, held(releases[0]) as is_there:
        assert nobody_reads_it
        assert not is_there


def test_a_release_that_is_gone_is_not_held(releases, lidcohort):
    lidcohort("run")
    with held(releases[0]) as is_there:
        assert not is_there


def test_what_is_half_removed_is_not_held(releases):
    (releases[0] / "manifest.json").unlink()
    with held(releases[0]) as is_there:
        assert not is_there


def test_who_follows_a_switch_reads_the_new_one(root, releases, monkeypatch):
    found = iter([root / "releases" / "gone", releases[2]])
    monkeypatch.setattr("pipeline.readers.current", lambda _: next(found))
    with reading(root) as release:
        assert release == releases[2]


def test_without_a_release_there_is_nothing_to_read(root):
    with pytest.raises(WrongUse, match="Nothing has been published yet"), reading(root):
        pass


def test_what_this_process_has_open_is_no_stranger(releases):
    descriptor = os.open(releases[0] / "dashboards" / "index.html", os.O_RDONLY)
    assert not has_strangers(releases[0])
    os.close(descriptor)
