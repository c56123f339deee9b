"""Ctrl-C and SIGTERM as one exception, remembered where a library swallows it."""

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType

from pipeline.errors import Interrupted, LidcohortError

SIGNALS = (signal.SIGINT, signal.SIGTERM)


@dataclass
class _Received:
    signal: bool = False
    raises: bool = True


_received = _Received()


@contextmanager
def interruptible() -> Iterator[None]:
    """Within, either signal raises `Interrupted` in the main thread and is remembered."""
    _received.signal, _received.raises = False, True
    before = {number: signal.signal(number, _hear) for number in SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def postponed() -> Iterator[None]:
    """Within, a signal is only remembered: half an import would break what comes after it."""
    _received.raises = False
    try:
        yield
    finally:
        _received.raises = True


def heed_no_more() -> None:
    """From here on a signal changes nothing: what was begun is done, or ends badly already."""
    _received.raises = False


def was_interrupted() -> bool:
    """Whether a signal came since the command began."""
    return _received.signal


def behind(error: BaseException) -> BaseException:
    """The interruption that a library made another error of, or else the error itself."""
    is_ours = isinstance(error, LidcohortError)
    return Interrupted() if was_interrupted() and not is_ours else error


def raise_if_interrupted() -> None:
    """Raise again what a library may have caught: dbt turns Ctrl-C into a failed build."""
    if _received.signal and _received.raises:
        raise Interrupted


def _hear(_number: int, _frame: FrameType | None) -> None:
    if _received.raises:
        _received.signal = True
        raise Interrupted
    _received.signal = True
