"""A run on a disk too small for it: a real one where it can be mounted, else an injected error."""

import shutil
import subprocess
from pathlib import Path

from pipeline.workspace import key_file
from tests.crashes import harness
from tests.crashes.harness import Figures, NotProtected, Scenario, Server, inspected, survey

KIB_FREE = (0, 4, 16, 32, 64, 128, 256, 400, 512, 640, 768, 900)


def fill(
    server: Server, scenario: Scenario, folder: Path, kib_free: tuple[int, ...] = KIB_FREE
) -> str:
    """Run with a little more space each time, and look at what is left; in words, what was done.

    Raises:
        NotProtected: something was left that must not be, or more was said than one line.
    """
    folder.mkdir(parents=True)
    if not _mount(folder):
        survey(server, scenario, "full_disk", Figures(), at_each_step=False)
        return "no disk could be mounted; the error was injected at one of each step"
    try:
        ended = [_filled(server, scenario, folder, free) for free in kib_free]
    finally:
        subprocess.run(["umount", str(folder)], check=True)
    full = sum(status == 1 for status in ended)
    if not full:
        raise NotProtected("the disk was never full")
    return f"{len(ended)} sizes of a real disk: {full} runs found it full, {ended.count(0)} not"


def _mount(folder: Path) -> bool:
    command = ["mount", "-t", "tmpfs", "-o", "size=64m", "tmpfs", str(folder)]
    try:
        return subprocess.run(command, capture_output=True).returncode == 0
    except FileNotFoundError:
        return False


def _filled(server: Server, scenario: Scenario, folder: Path, kib_free: int) -> int:
    root, ballast = folder / "group", folder / "ballast"
    for old in (root, folder / "steps"):
        shutil.rmtree(old, ignore_errors=True)
    (folder / "steps").write_text("")
    subprocess.run(["cp", "-a", str(scenario.before), str(root)], check=True)
    shutil.copy(key_file(scenario.before), key_file(root))
    free = shutil.disk_usage(folder).free - kib_free * 1024
    with ballast.open("wb") as file:
        file.write(bytes(max(0, free)))
    [before] = inspected(server, scenario, root)
    log = server.folder / "group"  # the harness's own log must not fill the disk
    log.mkdir(exist_ok=True)
    ended = harness.run(server, scenario, root, scenario.command, log=log / "steps")
    [left] = inspected(server, scenario, root)
    ballast.unlink()
    place = f"{kib_free} KiB free"
    if left["faults"] or not left["current"]:
        raise NotProtected(f"{place}: {left['faults']}")
    if ended.status == 1 and (
        "The disk is full." not in ended.output or left["current"] != before["current"]
    ):
        raise NotProtected(f"{place}: {ended.output}")
    if ended.status not in (0, 1):
        raise NotProtected(f"{place}: ended with {ended.status}: {ended.output}")
    again = harness.run(server, scenario, root, scenario.command)
    [after] = inspected(server, scenario, root)
    if again.status or after["faults"] or after["current"] == before["current"]:
        raise NotProtected(f"{place}, then enough: {again.output} {after['faults']}")
    return ended.status
