"""Which declarations each gate evaluates, and on which database."""

from collections.abc import Callable

from expectations import arrival, built
from expectations.engine import evaluate
from expectations.report import Gate, GateReport
from pipeline.durable import Step, durable_step
from pipeline.workspace import Release

ARRIVAL_DATABASE = "arrival.duckdb"


def check(
    release: Release, gate: Gate, on_progress: Callable[[int, int], None] | None
) -> GateReport:
    """See `expectations.check`."""
    if gate is Gate.BUILT:
        declarations = built.declarations(release)
        return GateReport(gate, evaluate(gate, declarations, release.warehouse, on_progress))
    database = release.root / ARRIVAL_DATABASE
    measured, declared = len(arrival.MEASURED), len(arrival.DECLARATIONS)

    def tell(done: int) -> None:
        if on_progress:
            on_progress(done, measured + declared)

    arrival.measure(release, database, tell)
    results = evaluate(gate, arrival.DECLARATIONS, database, lambda done, _: tell(measured + done))
    report = GateReport(gate, results)
    if not report.stopped:
        durable_step(Step.ARRIVAL_GATE)
        database.unlink()
    return report
