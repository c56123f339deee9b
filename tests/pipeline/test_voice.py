"""What people are told while a stage runs: one line each, a bar only where it is slow."""

import io
import os
import signal
from contextlib import suppress

import pytest
from rich.console import Console

from pipeline import voice as speaking
from pipeline.errors import Interrupted
from pipeline.interruption import interruptible
from pipeline.voice import Voice


def on_a_terminal(voice):
    voice._lines = Console(
        file=io.StringIO(), force_terminal=True, width=100, color_system=None, soft_wrap=True
    )
    return voice._lines.file


def test_a_stage_leaves_one_line_with_counts_and_time(capsys):
    voice = Voice()
    with voice.stage("ingest") as stage:
        stage.counts = {"files": 12, "rows accepted": 34567}
    line = capsys.readouterr().out
    assert line.startswith("ingest         files 12, rows accepted 34,567  ")
    assert line.endswith(" 0.0 s\n")


def test_a_bar_is_shown_where_a_stage_is_slow(monkeypatch):
    monkeypatch.setattr(speaking, "BAR_AFTER_SECONDS", 0.0)
    voice = Voice()
    screen = on_a_terminal(voice)
    with voice.stage("ingest") as stage:
        stage.progress(3, 7)
        stage._bar.refresh()
    assert "3/7" in screen.getvalue()


def test_no_bar_is_shown_where_it_is_quick():
    voice = Voice()
    screen = on_a_terminal(voice)
    with voice.stage("ingest") as stage:
        stage.progress(3, 7)
        stage._bar.refresh()
    assert "ingest" in screen.getvalue()
    assert "3/7" not in screen.getvalue()


def test_nothing_is_animated_off_a_terminal(capsys):
    voice = Voice()
    with voice.stage("ingest") as stage:
        stage.progress(3, 7)
    assert capsys.readouterr().out.count("\n") == 1


def test_a_stage_that_fails_leaves_no_line(capsys):
    voice = Voice()
    with pytest.raises(RuntimeError), voice.stage("ingest"):
        raise RuntimeError
    assert capsys.readouterr().out == ""
    assert [stage.name for stage in voice.stages] == ["ingest"]


def test_quiet_leaves_warnings(capsys):
    voice = Voice(quiet=True)
    voice.say("Published.")
    voice.warn("[alder] is late")
    told = capsys.readouterr()
    assert (told.out, told.err) == ("", "Warning: [alder] is late\n")


def test_lines_go_to_stderr_where_stdout_is_for_programs(capsys):
    Voice(as_json=True).say("Published.")
    told = capsys.readouterr()
    assert (told.out, told.err) == ("", "Published.\n")


def swallow_an_interruption(voice):
    with interruptible(), voice.stage("build"), suppress(KeyboardInterrupt):
        os.kill(os.getpid(), signal.SIGTERM)


def test_a_swallowed_interruption_ends_the_stage():
    with pytest.raises(Interrupted):
        swallow_an_interruption(Voice())
