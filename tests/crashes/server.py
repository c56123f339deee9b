"""Runs commands in forks of a process that has imported everything.

Reads a line of JSON for each command, forks, and answers with a line of JSON once the fork ended.
Libraries are only imported here, never used: their threads would not live on in a fork.
"""

import json
import os
import sys
import traceback
from pathlib import Path

import expectations.gates  # noqa: F401
import models.build  # noqa: F401
import pipeline.beginnings
import pipeline.defining
import pipeline.proposal
import pipeline.rekeying
import pipeline.rollback
import pipeline.run
import pipeline.withdrawing  # noqa: F401
from pipeline.cli import carry_out
from pipeline.release import code_digest
from tests.crashes import endings, inspection, mutations, reading, stand_ins


def serve() -> None:
    for line in sys.stdin:
        asked = json.loads(line)
        if asked["do"] == "wait":
            _, ended = os.waitpid(asked["pid"], 0)
            print(json.dumps({"status": os.waitstatus_to_exitcode(ended)}), flush=True)
            continue
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
            _inspect(asked)
            return 0
        case "read":
            return reading.read_in_a_loop(Path(asked["root"]), asked["as"], Path(asked["stop"]))
        case _:
            stand_ins.put_in(asked["stages"], asked.get("warehouse"))
            mutations.put_in(asked.get("mutation"))
            log, folder = Path(asked["steps"]), Path(asked["folder"])
            endings.arm(log, folder, asked.get("ending"), clock=asked.get("clock", False))
            return carry_out(asked["arguments"])


def _inspect(asked: dict) -> None:
    """Look at a workspace, go on with `commands`, and look again; one fork for all saves time."""
    stand_ins.put_in(asked["stages"], asked["warehouse"])
    root, with_gate = Path(asked["root"]), asked["with_gate"]
    found = [inspection.faults(root, with_gate=with_gate)]
    if asked["commands"]:
        for command in asked["commands"]:
            carry_out(command)
        found.append(inspection.faults(root, with_gate=with_gate))
    print(f"\n{inspection.FOUND}{json.dumps(found)}")


if __name__ == "__main__":
    code_digest()  # remembered by every fork
    print(json.dumps({"ready": True}), flush=True)
    serve()
