"""Writing whole or not at all."""

import errno
import os
import stat

import pytest

from pipeline.files import link_or_copy, point, private_folder, sync_tree, write_whole


def test_a_write_that_fails_leaves_what_was_there(tmp_path, monkeypatch):
    path = tmp_path / "manifest.json"
    write_whole(path, "before")
    monkeypatch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(OSError(errno.ENOSPC, "")))

    with pytest.raises(OSError, match=str(errno.ENOSPC)):
        write_whole(path, "after")

    assert path.read_text() == "before"


def test_a_write_replaces_the_whole_and_leaves_nothing_else(tmp_path):
    write_whole(tmp_path / "a.json", "long before")
    write_whole(tmp_path / "a.json", "now")
    assert [(file.name, file.read_text()) for file in tmp_path.iterdir()] == [("a.json", "now")]


def test_a_secret_is_never_readable_by_others(tmp_path):
    write_whole(tmp_path / "key", "secret", mode=0o600)
    assert stat.S_IMODE((tmp_path / "key").stat().st_mode) == 0o600


def test_a_private_folder_is_made_so_or_becomes_so(tmp_path):
    (tmp_path / "old").mkdir(mode=0o755)
    for name in ("old", "new"):
        assert stat.S_IMODE(private_folder(tmp_path / name).stat().st_mode) == 0o700


def test_a_file_is_linked_not_copied(tmp_path):
    (tmp_path / "a").write_text("rows")
    link_or_copy(tmp_path / "a", tmp_path / "deep" / "b")
    assert (tmp_path / "deep" / "b").samefile(tmp_path / "a")


def test_a_file_is_copied_where_there_are_no_links(tmp_path, monkeypatch):
    def no_links(*_):
        raise OSError(errno.EXDEV, "Invalid cross-device link")

    monkeypatch.setattr(os, "link", no_links)
    (tmp_path / "a").write_text("rows")
    link_or_copy(tmp_path / "a", tmp_path / "b")
    assert (tmp_path / "b").read_text() == "rows"
    assert not (tmp_path / "b").samefile(tmp_path / "a")


def test_a_full_disk_is_no_missing_link(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "link", full)
    (tmp_path / "a").write_text("rows")
    with pytest.raises(OSError, match="No space left"):
        link_or_copy(tmp_path / "a", tmp_path / "b")
    assert not (tmp_path / "b").exists()


def test_a_link_is_moved_in_one_step_and_stays_when_the_folder_moves(tmp_path):
    for name in ("one", "two"):
        (tmp_path / "home" / "releases" / name).mkdir(parents=True)
    current = tmp_path / "home" / "current"
    point(current, tmp_path / "home" / "releases" / "one")
    point(current, tmp_path / "home" / "releases" / "two")

    (tmp_path / "home").rename(tmp_path / "moved")

    assert (tmp_path / "moved" / "current").resolve().name == "two"


def test_a_link_half_made_by_a_killed_run_is_no_obstacle(tmp_path):
    (tmp_path / "one").mkdir()
    (tmp_path / ".current.unfinished").symlink_to("gone")
    point(tmp_path / "current", tmp_path / "one")
    assert (tmp_path / "current").resolve() == tmp_path / "one"


def test_everything_in_a_folder_is_put_on_the_disk(tmp_path, monkeypatch):
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / "file").write_text("rows")
    synced = []
    monkeypatch.setattr("pipeline.files.sync", synced.append)
    sync_tree(tmp_path)
    assert set(synced) == {tmp_path, tmp_path / "deep", tmp_path / "deep" / "file"}
