"""The whole job, stage after stage: the one place that knows their order."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import polars as pl

from dashboards import publish
from dashboards.labelled import label
from expectations import Gate, GateReport, GateResult, check, record
from ingest import IngestReport, ingest
from ingest.store import retire
from models.build import BuildFailed, build
from models.catalog import describe
from models.definitions import read_definitions
from models.spark import refuse_without_spark
from pipeline import history, inputs, rollback
from pipeline import release as releases
from pipeline.durable import Step, durable_step
from pipeline.errors import (
    DataRefused,
    LidcohortError,
    cut,
    disk_is_full,
    in_short,
    in_words,
)
from pipeline.files import private_folder
from pipeline.forgetting import finish_forgetting
from pipeline.history import Run
from pipeline.interruption import heed_no_more, was_interrupted
from pipeline.rekeying import finish as finish_rekeying
from pipeline.rekeying import with_lists_rekeyed
from pipeline.release import Candidate, Pruned
from pipeline.rollback import Rollback
from pipeline.standing import current
from pipeline.vanishing import refuse_lost_exports, refuse_overwritten_harms
from pipeline.voice import Answer, Voice
from pipeline.workspace import Release, Workspace

SHOWN_IN_A_WARNING = 3
SHOWN_IN_A_STOP = 10
QUALITY_PAGE = Path("dashboards") / "quality.html"
OUTCOMES = {
    "published": "Published {}.",
    "nothing_new": "Nothing new since the last release, {}.",
    "current_again": "{} was complete already; people read it from now on.",
}


def run_job(workspace: Workspace, voice: Voice, run: Run) -> Answer:
    """Read the exports, check, build, check, publish, and only then switch `current`.

    The caller holds the workspace, and records what `run` comes to.

    Raises:
        LidcohortError: whatever went wrong; `current` is then as it was.
    """
    refuse_without_spark(workspace.settings)
    workspace = with_lists_rekeyed(workspace)
    finish_forgetting(workspace, make_release, voice)
    report = _take_in(workspace, voice)
    candidate = releases.candidate(workspace, report)
    release, run.release = candidate.release, candidate.release.name
    rolled_back = rollback.in_force(workspace)
    if rolled_back and candidate.is_complete and release.name in rolled_back.aside:
        run.release, run.outcome = rolled_back.read, "set_aside"
        _tidy(workspace, voice)
        return _still_set_aside(workspace, release, rolled_back)
    if candidate.is_complete:
        is_read = current(workspace.root) == release.root
        outcome = "nothing_new" if is_read else "current_again"
    else:
        make_release(workspace, candidate, report, voice)
        outcome = "published"
    heed_no_more()
    releases.switch(workspace, release)
    run.outcome = outcome
    if outcome != "nothing_new" or not rolled_back:
        rollback.end(workspace)
    if rolled_back and outcome != "nothing_new":
        voice.warn(
            f"This ends the rollback to {rolled_back.read} of {rolled_back.since}: exports, "
            "settings or the program have changed since."
        )
    finish_rekeying(workspace)
    pruned = _tidy(workspace, voice)
    return _published(workspace, release, report, outcome, pruned)


def make_release(
    workspace: Workspace, candidate: Candidate, report: IngestReport, voice: Voice
) -> None:
    """Make a release from what ingest reports, through both gates, up to its manifest.

    Raises:
        LidcohortError: a gate refused it, or it could not be built.
    """
    release = candidate.release
    with _kept_if_it_fails(release, voice) as gates:
        _assemble(workspace, candidate, report, voice)
        _pass_gate(release, Gate.ARRIVAL, gates, voice, _why_refused(report))
        _build(release, voice)
        _pass_gate(release, Gate.BUILT, gates, voice)
        _describe(release, voice)
        _publish(release, voice)
        _finish(candidate, gates, voice)


def check_exports(workspace: Workspace, voice: Voice, run: Run) -> Answer:
    """Everything up to the arrival gate; publishes nothing.

    Raises:
        LidcohortError: as `run_job`.
    """
    refuse_without_spark(workspace.settings)
    workspace = with_lists_rekeyed(workspace)
    report = _take_in(workspace, voice)
    candidate = releases.candidate(workspace, report)
    release = candidate.release
    trial = replace(release, root=release.root.with_name(f"{release.name}-check"))
    run.release = trial.name
    with _kept_if_it_fails(trial, voice) as gates:
        _assemble(workspace, replace(candidate, release=trial), report, voice)
        _pass_gate(trial, Gate.ARRIVAL, gates, voice, _why_refused(report))
    releases.remove(trial.root)
    run.outcome = "checked"
    return Answer(
        "\n".join(
            [
                *_why_refused(report),
                "The exports pass the arrival gate. `lidcohort run` publishes them.",
            ]
        ),
        {
            "outcome": "checked",
            "as_of": report.as_of,
            "release": release.name,
            "refused_rows": _refused_rows(report),
        },
    )


def _take_in(workspace: Workspace, voice: Voice) -> IngestReport:
    for folder in (workspace.accepted, workspace.quarantine, workspace.releases):
        private_folder(folder)
    releases.refuse_another_key(workspace)
    refuse_lost_exports(workspace)
    read_definitions(workspace)  # a faulty one stops the run before the exports are read
    with voice.stage("ingest") as stage:
        report = ingest(workspace, on_progress=stage.progress)
        stage.counts = {
            "files": report.files.height,
            "rows accepted": int(report.files["accepted"].sum()),
            "refused": _refused_rows(report),
        }
    refuse_overwritten_harms(workspace, report)
    for path in report.passed_over:
        voice.warn(
            f"{path} was passed over: exports lie in exports/<site>/<YYYY-MM>/, and their names "
            "begin with their kind. Move it there, or remove it."
        )
    return report


def _assemble(
    workspace: Workspace, candidate: Candidate, report: IngestReport, voice: Voice
) -> None:
    with voice.stage("inputs") as stage:
        releases.sweep(workspace)
        durable_step(Step.CANDIDATE)
        private_folder(candidate.release.root)
        inputs.assemble(candidate.release, report, candidate.published, candidate.definitions)
        stage.counts = {"units": len(report.units)}


def _pass_gate(
    release: Release,
    gate: Gate,
    gates: list[GateReport],
    voice: Voice,
    why_refused: Sequence[str] = (),
) -> None:
    with voice.stage(f"{gate} gate") as stage:
        report = check(release, gate, on_progress=stage.progress)
        gates.append(report)
        stage.counts = {"expectations": len(report.results), "warnings": len(report.warnings)}
        if gate is Gate.BUILT:
            record(release, gates)
    for result in report.warnings:
        voice.warn(_in_one_line(result))
    if report.stopped:
        stops = "\n".join([*map(_in_lines, report.stops), *why_refused])
        raise DataRefused(
            f"The {gate} gate refused the data.\n{stops}",
            f"All of it is in {release.root / releases.FAILURE}.",
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


def _describe(release: Release, voice: Voice) -> None:
    with voice.stage("catalog") as stage:
        label(release)
        stage.counts = {"columns described": describe(release)}


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


def _tidy(workspace: Workspace, voice: Voice) -> Pruned:
    """Remove what is too old or half done; what cannot be is left to the next run."""
    try:
        releases.sweep(workspace)
        pruned = releases.prune(workspace)
        retire(workspace, releases.units_kept(workspace))
        history.shorten(workspace)
        return pruned
    except OSError as error:
        failure = in_words(error)
        voice.warn(
            f"What is too old could not be removed: {failure.what} The next run tries again."
        )
        return Pruned()


@contextmanager
def _kept_if_it_fails(release: Release, voice: Voice) -> Iterator[list[GateReport]]:
    """Keep a failed candidate, with the reason beside it, for a look; not on a full disk."""
    gates: list[GateReport] = []
    try:
        yield gates
    except BaseException as error:
        heed_no_more()
        if was_interrupted() or disk_is_full(error):
            releases.remove(release.root)
        elif release.root.is_dir():
            stage = voice.stages[-1].name
            releases.record_failure(release, stage, in_words(error, ""), gates)
        raise


def _in_one_line(result: GateResult) -> str:
    places = in_short(result.offending, SHOWN_IN_A_WARNING, among=result.found)
    shown = f": {places}." if places else "."
    return f"{result.description.rstrip('.')}{shown} {result.next_step}"


def _in_lines(result: GateResult) -> str:
    places, more = cut(result.offending, SHOWN_IN_A_STOP, among=result.found)
    lines = [
        f"{result.description.rstrip('.')}{':' if places else '.'}",
        *(f"  {place}" for place in places),
        *([f"  and {more:,} more"] if more else []),
        result.next_step,
    ]
    return "\n".join(lines)


def _refused_rows(report: IngestReport) -> int:
    return int(report.files["refused"].sum())


def _why_refused(report: IngestReport) -> list[str]:
    """Why rows were refused, most rows first; a row counts under each of its reasons."""
    reasons = (
        report.refused_reasons.group_by("site", "kind", "column_name", "reason")
        .agg(pl.col("rows").sum())
        .sort("rows", "site", "kind", "column_name", "reason", descending=[True, *[False] * 4])
    )
    shown, more = cut(list(reasons.iter_rows(named=True)), SHOWN_IN_A_STOP)
    lines = [
        f"  {row['site']}/{row['kind']}/{row['column_name']}: {row['reason']} ({row['rows']:,})"
        for row in shown
    ]
    head = ["Why rows were refused (ingest/CONTRACT.md says what to do):"] if lines else []
    return [*head, *lines, *([f"  and {more} more"] if more else [])]


def _still_set_aside(workspace: Workspace, release: Release, rolled_back: Rollback) -> Answer:
    return Answer(
        f"Nothing new: {release.name} holds every export, but was set aside on "
        f"{rolled_back.since}. People read {rolled_back.read}.\n"
        f"To have it read again: `lidcohort rollback {release.name} --workspace {workspace.root}`.",
        {
            "outcome": "set_aside",
            "release": rolled_back.read,
            "aside": release.name,
            "start_page": workspace.current / releases.START_PAGE,
        },
    )


def _published(
    workspace: Workspace, release: Release, report: IngestReport, outcome: str, pruned: Pruned
) -> Answer:
    start_page = workspace.current / releases.START_PAGE
    quality_page = workspace.current / QUALITY_PAGE
    refused = _refused_rows(report)
    why_refused = f"Refused rows ({refused:,}), why and how to mend them: {quality_page}"
    lines = [
        OUTCOMES[outcome].format(release.name),
        *([why_refused] if refused else []),
        *([f"Removed, as too old to keep: {in_short(pruned.removed)}"] if pruned.removed else []),
        *(
            [f"Too old to keep, but still read: {in_short(pruned.still_read)}"]
            if pruned.still_read
            else []
        ),
        *([f"Left out, as withdrawn: {in_short(report.withdrawn)}"] if report.withdrawn else []),
        f"Start page: {start_page}",
    ]
    return Answer(
        "\n".join(lines),
        {
            "outcome": outcome,
            "release": release.name,
            "as_of": release.as_of,
            "start_page": start_page,
            "refused_rows": refused,
            "quality_page": quality_page,
            "pruned": pruned.removed,
            "still_read": pruned.still_read,
        },
    )
