"""Ctrl-C and SIGTERM as one exception, remembered where a library swallows it."""

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType

from pipeline.errors import Interrupted

SIGNALS = (signal.SIGINT, signal.SIGTERM)


@dataclass
class _Received:
    signal: bool = False


_received = _Received()


@contextmanager
def interruptible() -> Iterator[None]:
    """Within, either signal raises `Interrupted` in the main thread and is remembered."""
    _received.signal = False
    before = {number: signal.signal(number, _raise) for number in SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def raise_if_interrupted() -> None:
    """Raise again what a library may have caught: dbt turns Ctrl-C into a failed build."""
    if _received.signal:
        raise Interrupted


def _raise(_number: int, _frame: FrameType | None) -> None:
    _received.signal = True
    raise Interrupted
