"""The list of batches that were withdrawn: they count no longer, their harms stay listed."""

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

from pipeline.durable import Step
from pipeline.files import write_whole
from pipeline.workspace import Workspace


@dataclass(frozen=True)
class Withdrawal:
    """A batch, covering the days up to `last_day`, that counts no longer since `withdrawn_on`.

    Days are ISO text. `harms` are those it told of, as plain values with columns of
    `report.REFUSED_HARMS`, so that they stay listed even when its files are gone.
    """

    site: str
    batch: str
    first_day: str
    last_day: str
    withdrawn_on: str
    harms: tuple[dict[str, Any], ...]

    @property
    def place(self) -> tuple[str, str]:
        return self.site, self.batch


def read_withdrawn(workspace: Workspace) -> tuple[Withdrawal, ...]:
    """The list that the workspace keeps; an empty one where no batch was withdrawn."""
    if not workspace.withdrawn.is_file():
        return ()
    return tuple(
        Withdrawal(**kept | {"harms": tuple(kept["harms"])})
        for kept in json.loads(workspace.withdrawn.read_text("utf-8"))
    )


def write_withdrawn(workspace: Workspace, withdrawn: Iterable[Withdrawal]) -> None:
    """Keep the list, whole or as it was before."""
    kept = [asdict(withdrawal) for withdrawal in sorted(withdrawn, key=lambda one: one.place)]
    content = json.dumps(kept, indent=2) + "\n"
    write_whole(workspace.withdrawn, content, mode=0o600, step=Step.WITHDRAWN)
