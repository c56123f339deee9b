"""Runs commands in forks of a process that has imported everything: `python -m tests.crashes.server`.

Reads a line of JSON for each command, forks, and answers with a line of JSON once the fork ended.
Libraries are only imported here, never used: their threads would not live on in a fork.
"""

import json
import os
import sys
import time
import traceback
from pathlib import Path

import dashboards.publish
import expectations.gates  # noqa: F401
import models.build  # noqa: F401
from pipeline import commands, rollback, run, status, verifying, withdrawing  # noqa: F401
from tests.crashes import endings, inspection, mutations, reading, stand_ins


def serve() -> None:
    for line in sys.stdin:
        asked = json.loads(line)
        sys.stdout.flush()
        pid = os.fork()
        if pid == 0:
            _in_a_fork(asked)
        if asked.get("in_background"):
            told = {"pid": pid}
        else:
            _, ended = os.waitpid(pid, 0)
            told = {"status": os.waitstatus_to_exitcode(ended)}
        print(json.dumps(told), flush=True)


def _in_a_fork(asked: dict) -> None:
    out = os.open(asked["output"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    for descriptor in (1, 2):
        os.dup2(out, descriptor)
    status = 70
    try:
        status = _do(asked)
    except BaseException:
        traceback.print_exc()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(status)


def _do(asked: dict) -> int:
    match asked["do"]:
        case "inspect":
            found = inspection.faults(Path(asked["root"]), with_gate=asked["with_gate"])
            print(json.dumps(found))
            return 0
        case "read":
            return reading.read_in_a_loop(Path(asked["root"]), asked["as"], Path(asked["stop"]))
        case _:
            from pipeline.cli import carry_out

            stand_ins.put_in(asked["stages"], asked.get("warehouse"))
            mutations.put_in(asked.get("mutation"))
            endings.arm(Path(asked["steps"]), asked.get("ending"), clock=asked.get("clock", False))
            return carry_out(asked["arguments"])


if __name__ == "__main__":
    began = time.monotonic()
    print(json.dumps({"ready_after": round(time.monotonic() - began, 1)}), flush=True)
    serve()
