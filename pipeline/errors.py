"""The ways a command can end badly, each with its exit status and its next step."""

import errno
from collections.abc import Iterator

FULL_DISK = "No space left on device"


class LidcohortError(Exception):
    """One clear line: what is wrong and where, then what to do about it."""

    exit_status = 1

    def __init__(self, what: str, next_step: str) -> None:
        super().__init__(f"{what} {next_step}")
        self.what = what
        self.next_step = next_step


class WrongUse(LidcohortError):
    """The command line, the workspace or group.toml is not usable as it stands."""

    exit_status = 2


class DataRefused(LidcohortError):
    """A gate stopped the run; what people read stays as it was."""

    exit_status = 3


class WorkspaceBusy(LidcohortError):
    """Another run holds the workspace."""

    exit_status = 4


class Interrupted(KeyboardInterrupt):
    """Ctrl-C, or a polite request to end."""


def disk_is_full(error: BaseException) -> bool:
    """Whether a full disk is behind an error, even where a library only passes on its words."""
    return any(
        getattr(cause, "errno", None) == errno.ENOSPC or FULL_DISK in str(cause)
        for cause in _causes(error)
    )


def _causes(error: BaseException) -> Iterator[BaseException]:
    cause: BaseException | None = error
    while cause is not None:
        yield cause
        cause = cause.__cause__ or cause.__context__


def in_words(error: BaseException, log: str) -> LidcohortError:
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
    return LidcohortError(
        f"Something went wrong that should not: {type(error).__name__}.",
        f"{log} With LIDCOHORT_DEBUG=1 the next run shows it.",
    )
