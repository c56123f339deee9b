"""Two clinics worked out by hand: every stage in earnest, the build copied where it repeats."""

import shutil
from pathlib import Path

from pipeline.workspace import key_file
from tests.crashes import harness
from tests.crashes.harness import Scenario, Server
from tests.crashes.scenarios import KEY

EXAMPLE = Path(__file__).parents[1] / "worked_example"
LATE = "2026-09"  # the batch that the run under test is the first to read


def scenarios(server: Server, folder: Path) -> dict[Scenario, tuple[str, ...]]:
    """One release, and a batch more, with the steps to end it at; all of them where none is named.

    At all of them the warehouse was built once, undisturbed, in the same place, and is copied.
    """
    root = folder / "group"
    root.mkdir(parents=True)
    shutil.copy(EXAMPLE / "group.toml", root / "group.toml")
    shutil.copytree(EXAMPLE / "exports", root / "exports")
    key_file(root).write_text(KEY)
    key_file(root).chmod(0o600)
    held_back = folder / "held_back"
    (root / "exports" / "alder" / LATE).rename(held_back)
    real = Scenario("real", root, ("run",), stages="real")
    _published(server, real, root)
    held_back.rename(root / "exports" / "alder" / LATE)
    warehouse = folder / "warehouse.duckdb"
    with harness.copied(root) as copy:
        _published(server, real, copy)
        shutil.copy(copy / "current" / "warehouse.duckdb", warehouse)
    copied = Scenario("copied build", root, ("run",), stages="copied", warehouse=warehouse)
    in_earnest = Scenario("build in earnest", root, ("run",), stages="real")
    return {copied: (), in_earnest: ("build", "model", "built_gate")}


def _published(server: Server, scenario: Scenario, root: Path) -> None:
    ended = harness.run(server, scenario, root, ("run",))
    if ended.status:
        raise harness.NotProtected(ended.output)
