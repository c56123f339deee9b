"""What something takes, in wall time and in that of all processors together."""

import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Times:
    """`seconds` of wall time and of processor time."""

    what: str
    seconds: float
    processor_seconds: float


def timed(what: str, work: Callable[[], object]) -> Times:
    began, processor_began = time.monotonic(), time.process_time()
    work()
    return Times(what, time.monotonic() - began, time.process_time() - processor_began)
