"""Faulty files, each with the line that a person sees: never a crash, and no faulty value kept."""

import os
import signal
from contextlib import contextmanager

import polars as pl
import pytest

from ingest import reading
from ingest.contract import MEANINGS, Reason
from ingest.places import shown_name
from pipeline.errors import WrongUse
from tests.ingest.faulty import FILES, GOOD


def lines_of(exports) -> list[str]:
    """What a run says of its only unit: why the file is refused, else its refused rows and emptied
    values. What each reason means and what to do about it stands beside it on the page."""
    report = exports.report
    (file,) = report.files.rows(named=True)
    if file["file_refused"]:
        return [file["file_reason"]]
    refused = [
        f"Row {row['source_row']}, {reason['column_name']}: {reason['reason']}"
        for unit in report.units
        if unit.refused
        for row in pl.read_parquet(unit.refused).rows(named=True)
        for reason in row["reasons"]
    ]
    flags = report.flagged_values.select("flagged", "column_name", "reason").rows()
    return refused + [f"{flagged} of {column}: {reason}" for flagged, column, reason in flags]


@pytest.mark.parametrize("faulty", FILES.values(), ids=FILES)
def test_a_faulty_file_is_told_in_exactly_these_lines(exports, monkeypatch, faulty):
    for name, limit in faulty.limits.items():
        monkeypatch.setattr(reading, name, limit)
    exports.write_bytes(faulty.name, faulty.content)
    report = exports.read()
    assert lines_of(exports) == list(faulty.lines)
    (file,) = report.files.rows(named=True)
    assert file["file"] == faulty.name
    assert file["accepted"] == faulty.accepted
    if file["file_refused"]:
        assert file["rows_read"] == file["accepted"] == file["refused"] == 0


def test_there_are_many():
    assert len([faulty for faulty in FILES.values() if faulty.lines]) >= 60


@pytest.mark.parametrize("faulty", FILES.values(), ids=FILES)
def test_every_line_says_what_to_do(faulty):
    for line in faulty.lines:
        if line.endswith("."):
            assert any(mark in line for mark in (";", ". "))
        else:
            what, remedy = MEANINGS[Reason(line.split(": ")[1])]
            assert what
            assert remedy


@contextmanager
def ends_within(seconds):
    """Fails rather than waits for ever where a pipe is opened."""

    def late(*_):
        raise TimeoutError

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


class TestPlaces:
    """What lies where a file should: said of the entry's name, and nothing of it is read."""

    def told(self, exports, name="patients.csv"):
        with ends_within(20):
            (file,) = exports.read().files.rows(named=True)
        assert file["file_refused"]
        assert file["file"] == name
        assert exports.accepted("patients").height == 0
        return file["file_reason"]

    def test_a_folder(self, exports):
        (exports.folder() / "patients.csv").mkdir()
        assert self.told(exports) == "It is a folder, not a file; remove it or rename it."

    def test_a_pipe(self, exports):
        os.mkfifo(exports.folder() / "patients.csv")
        assert self.told(exports) == "It is a pipe or a device, not a file; remove it."

    @pytest.mark.parametrize("ending", ["csv", "csv.gz", "parquet"])
    def test_a_link_to_a_device(self, exports, ending):
        (exports.folder() / f"patients.{ending}").symlink_to("/dev/zero")
        assert self.told(exports, f"patients.{ending}") == (
            "It is a link that leads out of the workspace; put the file itself there."
        )

    def test_a_link_that_leads_nowhere(self, exports):
        (exports.folder() / "patients.csv").symlink_to("gone.csv")
        assert self.told(exports) == "It is a link that leads nowhere; put the file itself there."

    def test_a_link_that_leads_to_itself(self, exports):
        (exports.folder() / "patients.csv").symlink_to("patients.csv")
        assert self.told(exports) == "It is a link that leads nowhere; put the file itself there."

    def test_a_link_out_of_the_workspace(self, exports, tmp_path):
        (tmp_path / "elsewhere.csv").write_bytes(GOOD)
        (exports.folder() / "patients.csv").symlink_to(tmp_path / "elsewhere.csv")
        assert self.told(exports) == (
            "It is a link that leads out of the workspace; put the file itself there."
        )

    def test_a_batchs_folder_that_is_a_link_out_of_the_workspace(self, exports, tmp_path):
        outside = tmp_path / "outside"
        outside.mkdir()
        (outside / "patients.csv").write_bytes(GOOD)
        exports.folder().rmdir()
        (exports.folder().parent / "2026-02").symlink_to(outside)
        exports.folder().rmdir()
        assert self.told(exports) == (
            "It is a link that leads out of the workspace; put the file itself there."
        )

    def test_a_link_within_the_workspace_is_read(self, exports):
        kept = exports.workspace.root / "incoming.csv"
        folder = exports.folder()
        kept.write_bytes(GOOD)
        (folder / "patients.csv").symlink_to(kept)
        assert exports.read().files["accepted"].to_list() == [1]

    def test_a_name_with_a_line_end(self, exports):
        exports.write_bytes("patients\nP1,active.csv", GOOD)
        assert self.told(exports, "patients?P1,active.csv") == (
            "Its name holds a line break or another character that cannot be seen; rename it."
        )

    def test_a_name_that_is_written_from_right_to_left(self, exports):
        exports.write_bytes("patients\u202evsc.csv", GOOD)
        assert self.told(exports, "patients?vsc.csv").endswith("rename it.")

    def test_a_name_that_is_no_text(self, exports):
        exports.write_bytes(os.fsdecode(b"patients-\xff.csv"), GOOD)
        assert self.told(exports, "patients-?.csv").endswith("rename it.")

    def test_names_in_other_letters_are_read(self, exports):
        path = exports.write_bytes("patients-Zôbel 診.csv", GOOD)
        assert shown_name(path) == path.name
        assert exports.read().files["accepted"].to_list() == [1]

    @pytest.mark.parametrize("number", [13, 5])
    def test_what_the_system_does_not_hand_over_ends_the_run(self, exports, monkeypatch, number):
        """The tests may run as a user who may read everything, so the error is put in place."""
        path = exports.write_bytes("patients.csv", GOOD)
        opened = type(path).open

        def refuse(self, *arguments, **named):
            if self == path:
                raise OSError(number, os.strerror(number), str(path))
            return opened(self, *arguments, **named)

        monkeypatch.setattr(type(path), "open", refuse)
        with pytest.raises(WrongUse) as told:
            exports.read()
        assert str(told.value) == (
            f"{path} cannot be read: {os.strerror(number)}. Give the right to read it, or see to "
            "the disk, and run again."
        )
