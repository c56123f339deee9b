"""One run at a time: the lock names its holder and dies with it."""

import os
import signal
import socket
import subprocess
import sys

import pytest

from pipeline.errors import WorkspaceBusy
from pipeline.lock import hold

HOLDER = """
import sys, time
from pathlib import Path
from pipeline.lock import hold
with hold(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(60)
"""


@pytest.fixture
def holder(tmp_path):
    """Another process that holds the lock."""
    command = [sys.executable, "-c", HOLDER, str(tmp_path / "lock")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "held\n"
        yield process
        process.kill()


def test_a_second_run_is_told_who_holds_it(tmp_path, holder):
    with pytest.raises(WorkspaceBusy) as refusal, hold(tmp_path / "lock"):
        pass
    assert f"process {holder.pid} on {socket.gethostname()}, since " in refusal.value.what
    assert refusal.value.exit_status == 4


def test_a_killed_run_lets_go(tmp_path, holder):
    holder.send_signal(signal.SIGKILL)
    holder.wait()
    with hold(tmp_path / "lock"):
        assert str(os.getpid()) in (tmp_path / "lock").read_text()


def test_a_lock_is_free_again_after_its_run(tmp_path):
    with hold(tmp_path / "lock"):
        pass
    with hold(tmp_path / "lock"):
        pass


def test_a_holder_that_has_not_named_itself_is_no_crash(tmp_path, holder):
    (tmp_path / "lock").write_text("")
    with pytest.raises(WorkspaceBusy, match="has not named itself"), hold(tmp_path / "lock"):
        pass


LOOKS = """
import fcntl, sys, time
with open(sys.argv[1]) as file:
    fcntl.flock(file, fcntl.LOCK_SH)
    print("looks", flush=True)
    time.sleep(0.2)
"""


def test_who_only_looks_at_a_lock_keeps_no_run_off(tmp_path):
    (tmp_path / "lock").touch()
    command = [sys.executable, "-c", LOOKS, str(tmp_path / "lock")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "looks\n"
        with hold(tmp_path / "lock"):
            assert str(os.getpid()) in (tmp_path / "lock").read_text()
