"""Files spoilt at random for as long as one likes, other ones each time."""

import time
from dataclasses import dataclass
from pathlib import Path

from hypothesis import HealthCheck, given, seed, settings

from tests.ingest.test_fuzzed_files import FILES, prove_read_or_refused

AT_ONCE = 500


@dataclass
class Read:
    """How many spoilt files were read or refused, in how many minutes."""

    files: int = 0
    minutes: float = 0

    def __str__(self) -> str:
        return f"{self.files:,} spoilt files, each read or refused, in {self.minutes:.1f} minutes"


def read_spoilt_files(folder: Path, minutes: float) -> Read:
    """Spoil and read files; hypothesis shrinks and shows the one that is neither read nor refused.

    Raises:
        AssertionError: or whatever else such a file raises.
    """
    began, read = time.monotonic(), Read()
    while read.minutes < minutes:
        _read_some(folder, read)
        read.minutes = (time.monotonic() - began) / 60
    return read


def _read_some(folder: Path, read: Read) -> None:
    @seed(time.time_ns())
    @settings(
        max_examples=AT_ONCE,
        deadline=None,
        database=None,
        print_blob=True,
        suppress_health_check=list(HealthCheck),
    )
    @given(FILES)
    def prove(file) -> None:
        prove_read_or_refused(folder, *file)
        read.files += 1

    prove()
