"""Twenty readers while ten releases are made, the older ones pruned under them."""

import json
from dataclasses import dataclass
from pathlib import Path

from pipeline.workspace import key_file
from tests.crashes import harness
from tests.crashes.harness import NotProtected, Scenario, Server
from tests.crashes.scenarios import GROUP, KEY, add_batch

READERS = 20
RELEASES = 10


@dataclass(frozen=True)
class Read:
    readers: int
    releases: int
    looks: int
    seen_at_most: int  # releases, by one reader

    def __str__(self) -> str:
        return (
            f"{self.readers} readers x {self.releases} releases: {self.looks:,} looks, none failed "
            f"or mixed; one reader saw {self.seen_at_most} releases"
        )


def read_during_releases(
    server: Server, folder: Path, *, readers: int = READERS, releases: int = RELEASES
) -> Read:
    """Half of the readers hold what they read, half are strangers; one old release is kept.

    Raises:
        NotProtected: a reader met an error, or parts of two releases.
    """
    root, stop = folder / "group", folder / "stop"
    root.mkdir(parents=True)
    (root / "group.toml").write_text(GROUP)
    key_file(root).write_text(KEY)
    key_file(root).chmod(0o600)
    scenario = Scenario("read", root, ("run",))
    _release(server, scenario, root, 1)
    outputs = [folder / f"reader-{number}" for number in range(readers)]
    pids = []
    for number, output in enumerate(outputs):
        told, _ = server.ask(
            "read",
            **{"as": ("holding", "stranger")[number % 2]},
            root=str(root),
            stop=str(stop),
            output=str(output),
            in_background=True,
        )
        pids.append(told["pid"])
    for month in range(2, releases + 2):
        _release(server, scenario, root, month)
    stop.touch()
    for pid in pids:
        server.ask("wait", pid=pid)
    told = [json.loads(output.read_text().splitlines()[-1]) for output in outputs]
    if faults := [fault for one in told for fault in one["faults"]]:
        raise NotProtected(f"{len(faults)} faults, the first: {faults[0]}")
    if not all(one["looks"] for one in told):
        raise NotProtected("a reader never looked")
    left = len(list((root / "releases").iterdir()))
    if left > 2 + readers:
        raise NotProtected(f"{left} releases were left")
    return Read(
        readers,
        releases,
        sum(one["looks"] for one in told),
        max(len(one["releases"]) for one in told),
    )


def _release(server: Server, scenario: Scenario, root: Path, month: int) -> None:
    add_batch(root, month)
    ended = harness.run(server, scenario, root, ("run",))
    if ended.status:
        raise NotProtected(f"release {month}: {ended.output}")
