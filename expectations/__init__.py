"""Two gates of Great Expectations: over what came in, and over what came out."""

from collections.abc import Callable

from expectations.recording import record
from expectations.report import Gate, GateReport, GateResult, Severity
from pipeline.workspace import Release

__all__ = ["Gate", "GateReport", "GateResult", "Severity", "check", "record"]


def check(
    release: Release, gate: Gate, *, on_progress: Callable[[int, int], None] | None = None
) -> GateReport:
    """Evaluate a gate's expectations on a release.

    `arrival` reads the release's inputs and leaves `arrival.duckdb` beside them where it stops;
    `built` reads the warehouse. Nothing is raised for what the data show: ask `stopped`.
    """
    from expectations import gates  # Great Expectations takes seconds to import

    return gates.check(release, gate, on_progress)
