"""The ways a command can end badly, each with its exit status and its next step."""


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
