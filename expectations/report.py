"""What a gate found, in plain words: one result for each declared expectation."""

from dataclasses import dataclass
from enum import StrEnum

SHOWN_AT_MOST = 20


class Gate(StrEnum):
    """Before the warehouse is built, over what came in; and after, over what came out."""

    ARRIVAL = "arrival"
    BUILT = "built"


class Severity(StrEnum):
    STOP = "stop"  # nothing is published
    WARN = "warn"  # published, and shown on the quality page


@dataclass(frozen=True)
class GateResult:
    """How one expectation fared.

    `description` says in words what holds, or on a failure what was found; where it could not be
    `evaluated`, which is no success, what is not known to hold. `observed` is what was seen;
    `offending` names up to 20 of the `found` rows concerned by site, batch, kind, file, column or
    pseudonymous key; `next_step` says what to do on a failure.
    """

    gate: Gate
    expectation: str
    description: str
    severity: Severity
    success: bool
    observed: str
    offending: tuple[str, ...] = ()
    next_step: str = ""
    found: int = 0
    evaluated: bool = True


@dataclass(frozen=True)
class GateReport:
    gate: Gate
    results: tuple[GateResult, ...]

    @property
    def stopped(self) -> bool:
        """Whether the run must publish nothing."""
        return any(not r.success and r.severity is Severity.STOP for r in self.results)

    @property
    def stops(self) -> tuple[GateResult, ...]:
        return self._failed(Severity.STOP)

    @property
    def warnings(self) -> tuple[GateResult, ...]:
        return self._failed(Severity.WARN)

    def _failed(self, severity: Severity) -> tuple[GateResult, ...]:
        """What was found; all that could not be evaluated is told together, by one result."""
        failed = (r for r in self.results if r.evaluated and not r.success)
        return tuple(r for r in failed if r.severity is severity)
