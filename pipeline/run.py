"""The whole job, stage after stage: the one place that knows their order."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from dashboards import publish
from expectations import Gate, GateReport, GateResult, check, record
from expectations.report import SHOWN_AT_MOST
from ingest import IngestReport, ingest
from models.build import BuildFailed, build
from pipeline import inputs
from pipeline import release as releases
from pipeline.errors import DataRefused, LidcohortError, disk_is_full, in_words
from pipeline.files import private_folder
from pipeline.history import recorded
from pipeline.lock import hold
from pipeline.release import Candidate
from pipeline.voice import Answer, Voice
from pipeline.workspace import Release, Workspace

SHOWN_IN_A_WARNING = 3
OUTCOMES = {
    "published": "Published {}.",
    "nothing_new": "Nothing new since the last release, {}.",
    "current_again": "{} was complete already; people read it from now on.",
}


def run_job(workspace: Workspace, voice: Voice) -> Answer:
    """Read the exports, check, build, check, publish, and only then switch `current`.

    Raises:
        LidcohortError: whatever went wrong, as one line; `current` is then as it was.
    """
    with hold(workspace.lock), recorded(workspace, "run", voice) as run:
        report = _take_in(workspace, voice)
        candidate = releases.candidate(workspace, report)
        release, run.release = candidate.release, candidate.release.name
        if candidate.is_complete:
            is_read = releases.current(workspace) == release.root
            run.outcome = "nothing_new" if is_read else "current_again"
        else:
            with _kept_if_it_fails(release, voice) as gates:
                _assemble(workspace, release, report, voice)
                _pass_gate(release, Gate.ARRIVAL, gates, voice)
                _build(release, voice)
                _pass_gate(release, Gate.BUILT, gates, voice)
                _publish(release, voice)
                _finish(candidate, gates, voice)
            run.outcome = "published"
        releases.switch(workspace, release)
        releases.prune(workspace)
        releases.sweep(workspace)
        return _published(workspace, release, run.outcome)


def check_exports(workspace: Workspace, voice: Voice) -> Answer:
    """Everything up to the arrival gate; publishes nothing.

    Raises:
        LidcohortError: as `run_job`.
    """
    with hold(workspace.lock), recorded(workspace, "check", voice) as run:
        report = _take_in(workspace, voice)
        release = releases.candidate(workspace, report).release
        trial = replace(release, root=release.root.with_name(f"{release.name}-check"))
        run.release = trial.name
        with _kept_if_it_fails(trial, voice) as gates:
            _assemble(workspace, trial, report, voice)
            _pass_gate(trial, Gate.ARRIVAL, gates, voice)
        releases.remove(trial.root)
        run.outcome = "checked"
        return Answer(
            "The exports pass the arrival gate. `lidcohort run` publishes them.",
            {"outcome": "checked", "as_of": report.as_of, "release": release.name},
        )


def _take_in(workspace: Workspace, voice: Voice) -> IngestReport:
    for folder in (workspace.accepted, workspace.quarantine, workspace.releases):
        private_folder(folder)
    releases.current(workspace)
    with voice.stage("ingest") as stage:
        report = ingest(workspace, on_progress=stage.progress)
        stage.counts = {
            "files": report.files.height,
            "rows accepted": int(report.files["accepted"].sum()),
            "refused": int(report.files["refused"].sum()),
        }
    return report


def _assemble(workspace: Workspace, release: Release, report: IngestReport, voice: Voice) -> None:
    with voice.stage("inputs") as stage:
        releases.sweep(workspace)
        private_folder(release.root)
        inputs.assemble(release, report)
        stage.counts = {"units": len(report.units)}


def _pass_gate(release: Release, gate: Gate, gates: list[GateReport], voice: Voice) -> None:
    with voice.stage(f"{gate} gate") as stage:
        report = check(release, gate, on_progress=stage.progress)
        gates.append(report)
        stage.counts = {"expectations": len(report.results), "warnings": len(report.warnings)}
        if gate is Gate.BUILT:
            record(release, gates)
    for result in report.warnings:
        voice.warn(_in_one_line(result, shown=SHOWN_IN_A_WARNING))
    if report.stopped:
        first, *more = [_in_one_line(result, shown=SHOWN_AT_MOST) for result in report.stops]
        and_more = f" ({len(more)} more)" if more else ""
        raise DataRefused(
            f"The {gate} gate refused the data: {first}{and_more}.",
            f"All of it is in {release.root / releases.FAILURE}; correct the exports, run again.",
        )


def _build(release: Release, voice: Voice) -> None:
    with voice.stage("build") as stage:
        try:
            report = build(release, on_progress=stage.progress)
        except BuildFailed as error:
            if disk_is_full(error):
                raise
            first, *more = error.failures
            and_more = f" ({len(more)} more)" if more else ""
            raise LidcohortError(
                f"The warehouse could not be built: {first}{and_more}.",
                f"Report it together with {release.root / releases.FAILURE}.",
            ) from error
        stage.counts = {"models": report.count("model"), "tests": report.count("test")}


def _publish(release: Release, voice: Voice) -> None:
    with voice.stage("publish") as stage:
        publish(release, on_progress=stage.progress)
        stage.counts = {
            "pages": sum(1 for _ in release.dashboards.rglob("*.html")),
            "tables": sum(1 for _ in release.tables.rglob("*.parquet")),
        }


def _finish(candidate: Candidate, gates: list[GateReport], voice: Voice) -> None:
    with voice.stage("release") as stage:
        rows = releases.finish(candidate, gates)
        stage.counts = {"tables": len(rows), "rows": sum(rows.values())}


@contextmanager
def _kept_if_it_fails(release: Release, voice: Voice) -> Iterator[list[GateReport]]:
    """Keep a failed candidate, with the reason beside it, for a look; not on a full disk."""
    gates: list[GateReport] = []
    try:
        yield gates
    except BaseException as error:
        if isinstance(error, Exception) and not disk_is_full(error):
            stage = voice.stages[-1].name
            releases.record_failure(release, stage, in_words(error, ""), gates)
        else:
            releases.remove(release.root)
        raise


def _in_one_line(result: GateResult, *, shown: int) -> str:
    cut = ["..."] if len(result.offending) > shown else []
    keys = ", ".join([*result.offending[:shown], *cut])
    which = f" [{keys}]" if keys else ""
    return f"{result.description.rstrip('.')}: {result.observed}{which}"


def _published(workspace: Workspace, release: Release, outcome: str) -> Answer:
    start_page = workspace.current / releases.START_PAGE
    return Answer(
        f"{OUTCOMES[outcome].format(release.name)}\nStart page: {start_page}",
        {
            "outcome": outcome,
            "release": release.name,
            "as_of": release.as_of,
            "start_page": start_page,
        },
    )
