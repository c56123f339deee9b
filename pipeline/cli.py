"""The `lidcohort` command's door: it hears Ctrl-C before anything slow is imported."""

import sys
from collections.abc import Sequence

from pipeline.interruption import interruptible, postponed


def main(arguments: Sequence[str] | None = None) -> None:
    """Do what the command line says, and exit with its status."""
    sys.exit(carry_out(sys.argv[1:] if arguments is None else arguments))


def carry_out(arguments: Sequence[str]) -> int:
    """Do what a command line says and return its exit status."""
    with interruptible():
        with postponed():
            from pipeline.commands import obey
        return obey(arguments)
