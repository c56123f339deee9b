"""The ways a command can end badly, each with its exit status and its next step."""

import difflib
import errno
from collections.abc import Iterable, Iterator, Sequence
from typing import TypeVar

FULL_DISK = (
    "No space left on device",
    "Invalid thrift: transport error",  # of polars, where the disk is full at a file's very end
)
NO_RECORD = "It was not under way yet, so there is no record of it."
LISTED_AT_MOST = 10
Place = TypeVar("Place")


class LidcohortError(Exception):
    """One clear line: what is wrong and where, then what to do about it.

    Where `what` lists places, each stands on a line of its own.
    """

    exit_status = 1

    def __init__(self, what: str, next_step: str) -> None:
        between = "\n" if "\n" in what else " "
        super().__init__(f"{what}{between}{next_step}")
        self.what = what
        self.next_step = next_step


class WrongUse(LidcohortError):
    """The command line, the workspace or group.toml is not usable as it stands."""

    exit_status = 2


class DataRefused(LidcohortError):
    """A gate stopped the run; what people read stays as it was."""

    exit_status = 3


class ReleaseDamaged(LidcohortError):
    """A release is not as its manifest says, or has none."""

    exit_status = 5


class WorkspaceBusy(LidcohortError):
    """Another run holds the workspace."""

    exit_status = 4


class Interrupted(KeyboardInterrupt):
    """Ctrl-C, or a polite request to end."""


def disk_is_full(error: BaseException) -> bool:
    """Whether a full disk is behind an error, even where a library only passes on its words."""
    return any(
        getattr(cause, "errno", None) == errno.ENOSPC
        or any(words in str(cause) for words in FULL_DISK)
        for cause in _causes(error)
    )


def machine_failed(error: BaseException) -> bool:
    """Whether the disk is behind an error, or whatever else is no fault of data or program."""
    return disk_is_full(error) or any(isinstance(cause, OSError) for cause in _causes(error))


def _causes(error: BaseException) -> Iterator[BaseException]:
    cause: BaseException | None = error
    while cause is not None:
        yield cause
        cause = cause.__cause__ or cause.__context__


def as_sentence(text: str) -> str:
    """A text with the full stop that it lacks."""
    return text if text.endswith((".", "?", "!")) else f"{text}."


def suggestion(word: str, known: Iterable[str]) -> str:
    """The known word that a wrong one was probably meant to be, or all of them if none is near."""
    choices = list(known)
    if near := difflib.get_close_matches(word, choices, n=1):
        return f"did you mean '{near[0]}'?"
    return f"known are {in_short(choices)}"


def in_short(places: Sequence[str], at_most: int = LISTED_AT_MOST, among: int | None = None) -> str:
    """Places parted by commas, cut where they, or those `among` which they are, are many."""
    shown, more = cut(places, at_most, among)
    return ", ".join(shown) + (f" and {more:,} more" if more else "")


def cut(
    places: Sequence[Place], at_most: int, among: int | None = None
) -> tuple[Sequence[Place], int]:
    """The first of some places, and how many more there are."""
    shown = places[:at_most]
    return shown, max(0, (len(places) if among is None else among) - len(shown))


def in_words(error: BaseException, log: str = NO_RECORD) -> LidcohortError:
    """Any error as one clear line and a next step; `log` says where the rest of it is."""
    if isinstance(error, KeyboardInterrupt):
        return LidcohortError("Interrupted.", "Run the same command again to go on.")
    if isinstance(error, LidcohortError):
        return error
    if disk_is_full(error):
        return LidcohortError("The disk is full.", "Free some space and run again.")
    if isinstance(error, OSError) and error.filename is not None:
        return LidcohortError(
            f"{error.filename}: {error.strerror}.", "See that it can be read and written."
        )
    if isinstance(error, OSError) and error.errno is not None:
        return LidcohortError(
            f"The system could not read or write: {error.strerror}.",
            "See that the disk is sound and may be written, then run again.",
        )
    return LidcohortError(
        f"Something went wrong that should not: {type(error).__name__}.",
        f"{log} With LIDCOHORT_DEBUG=1 the next run shows it.",
    )
