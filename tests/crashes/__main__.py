"""Ends runs at every durable step there is, and spoils files: `uv run python -m tests.crashes`.

All of it takes more than an hour on two cores; parts of it can be asked for.
"""

import argparse
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.durable import Step
from tests.crashes import full_disk, mutated, readers, real_stages, spoilt_files
from tests.crashes.endings import FAULTS, SIGNALS
from tests.crashes.harness import Figures, Server, survey
from tests.crashes.scenarios import scenarios

PARTS = ("kills", "others", "clock", "mutations", "readers", "disk", "real", "files")


def main() -> None:
    """Survey everything, print figures; an AssertionError tells what is not protected."""
    parser = argparse.ArgumentParser(prog="python -m tests.crashes", description=__doc__)
    parser.add_argument("parts", nargs="*", default=PARTS, help=", ".join(PARTS))
    parser.add_argument("--minutes", type=float, default=10, help="how long to spoil files")
    arguments = parser.parse_args()
    asked = arguments.parts
    figures = Figures()
    with tempfile.TemporaryDirectory() as scratch, Server.started() as server:
        folder = Path(scratch)
        made = scenarios(server, folder / "small")
        if "kills" in asked:
            for scenario in made:
                with _told(f"killed at each step: {scenario.name}"):
                    survey(server, scenario, "kill", figures)
        if "others" in asked:
            for how in (*(name for name in SIGNALS if name != "kill"), *FAULTS):
                for scenario in made:
                    with _told(f"{how} at one of each step: {scenario.name}"):
                        survey(server, scenario, how, figures, at_each_step=False)
        if "clock" in asked:
            with _told("killed while the clock steps backwards"):
                survey(server, made[0], "kill", figures, at_each_step=False, clock=True)
        if "mutations" in asked:
            with _told("protections taken out"):
                print(f"  caught: {', '.join(mutated.caught(server, made[0]))}", flush=True)
        if "readers" in asked:
            with _told("readers during releases"):
                print(f"  {readers.read_during_releases(server, folder / 'read')}", flush=True)
        if "disk" in asked:
            with _told("a small disk, full"):
                print(f"  {full_disk.fill(server, made[0], folder / 'disk')}", flush=True)
        if "real" in asked:
            for scenario, steps in real_stages.scenarios(server, folder / "real").items():
                with _told(f"killed with the real stages: {scenario.name}"):
                    survey(server, scenario, "kill", figures, *steps, at_each_step=False)
        if "files" in asked:
            with _told("files spoilt at random"):
                spoilt = folder / "spoilt"
                print(f"  {spoilt_files.read_spoilt_files(spoilt, arguments.minutes)}", flush=True)
    print(f"steps reached: {dict(figures.steps)}")
    print(f"ended: {dict(figures.endings)}, {sum(figures.endings.values())} in all")
    if not set(PARTS[:2]).isdisjoint(asked):
        never = set(Step) - set(figures.steps) - {Step.FILE}
        print(f"never reached: {sorted(never) or 'none'}")


@contextmanager
def _told(what: str) -> Iterator[None]:
    began = time.monotonic()
    yield
    print(f"{what}: {time.monotonic() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()
