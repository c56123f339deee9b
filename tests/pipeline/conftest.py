"""A small workspace, and stand-ins for the stages that fail when a test tells them to."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest

from expectations import Gate, GateReport, GateResult, Severity
from ingest import IngestReport, Unit
from ingest.contract import VISITS
from ingest.report import REFUSED_REASONS
from models.build import BuildReport, NodeResult
from pipeline import run as flow
from pipeline.cli import carry_out
from pipeline.published import MONTH_FIGURES
from pipeline.workspace import Release, Workspace, key_file

GROUP = """
[[site]]
code = "alder"

[[protocol]]
code = "four"
sessions_planned = 4
"""
COUNTED = pl.Schema(dict.fromkeys(("accepted", "refused", "exact_repeats"), pl.Int64))


@pytest.fixture
def root(tmp_path) -> Path:
    """An invented group's folder, its key beside it."""
    root = tmp_path / "group"
    root.mkdir()
    (root / "group.toml").write_text(GROUP)
    key_file(root).write_text("an invented key of enough length\n")
    key_file(root).chmod(0o600)
    return root


@dataclass
class Stages:
    """Each leaves what the next one needs; `before[stage]` runs first and may raise."""

    called: list[str] = field(default_factory=list)
    before: dict[str, Callable[[], None]] = field(default_factory=dict)
    failing: list[GateResult] = field(default_factory=list)
    digest: str = "0" * 64
    refused: dict[str, int] = field(default_factory=dict)  # reason -> rows
    passed_over: tuple[Path, ...] = ()
    as_of: date = date(2025, 6, 30)
    figures: dict[str, int] | None = None  # of alder's June; None: as before they were kept

    def ingest(self, workspace: Workspace, *, on_progress=None) -> IngestReport:
        self._begin("ingest")
        export = workspace.exports / "alder" / "2025-06" / "visits.csv"
        accepted = workspace.accepted / "visits" / "alder" / f"{self.digest}.parquet"
        for file in (export, accepted):
            file.parent.mkdir(parents=True, exist_ok=True)
        export.touch()
        pl.DataFrame(schema=VISITS.stored_schema).write_parquet(accepted)
        unit = Unit(
            site="alder",
            batch="2025-06",
            kind="visits",
            digest=self.digest,
            accepted=accepted,
            refused=None,
            cached=False,
        )
        counts = pl.DataFrame({"accepted": [5], "refused": [2], "exact_repeats": [0]}, COUNTED)
        nothing = pl.DataFrame({"site": pl.Series([], dtype=pl.String)})
        return IngestReport(
            as_of=self.as_of,
            units=(unit,),
            batches=nothing,
            files=counts,
            refused_reasons=self._refused_reasons(),
            flagged_values=nothing,
            refused_harms=nothing,
            passed_over=self.passed_over,
        )

    def _month_figures(self, figures: dict[str, int]) -> pl.DataFrame:
        june = ("alder", "2025-06", date(2025, 6, 30))
        rows = [(*june, figure, value) for figure, value in figures.items()]
        return pl.DataFrame(rows, schema=MONTH_FIGURES, orient="row")

    def _refused_reasons(self) -> pl.DataFrame:
        unit = ("alder", "2025-06", "visits", "visits.csv", "visit_date")
        rows = [(*unit, reason, rows, 0, "2 3") for reason, rows in self.refused.items()]
        return pl.DataFrame(rows, schema=REFUSED_REASONS, orient="row")

    def check(self, release: Release, gate: Gate, *, on_progress=None) -> GateReport:
        self._begin(gate)
        return GateReport(gate, tuple(result for result in self.failing if result.gate is gate))

    def record(self, release: Release, reports: list[GateReport]) -> None:
        self._begin("record")

    def build(self, release: Release, *, on_progress=None) -> BuildReport:
        self._begin("build")
        with duckdb.connect(str(release.warehouse)) as connection:
            connection.sql("create schema cohorts")
            connection.sql("create table cohorts.safety as select 1 as sessions")
            if self.figures is not None:
                connection.sql("create schema quality")
                connection.register("figures", self._month_figures(self.figures))
                connection.sql("create table quality.month_figures as from figures")
        return BuildReport((NodeResult("safety", "model", "success", 0.1),))

    def label(self, release: Release) -> None:
        self._begin("label")

    def describe(self, release: Release) -> int:
        self._begin("describe")
        return 0

    def publish(self, release: Release, *, on_progress=None) -> None:
        self._begin("publish")
        for page in (release.dashboards / "index.html", release.tables / "safety.parquet"):
            page.parent.mkdir()
            page.write_text("as worked out")

    def fail(
        self,
        gate: Gate,
        severity: Severity,
        offending: tuple[str, ...] = ("alder",),
        found: int = 0,
    ) -> None:
        self.failing.append(
            GateResult(
                gate=gate,
                expectation="as_usual",
                description="There are few rows.",
                severity=severity,
                success=False,
                observed="3 of 40",
                offending=offending,
                next_step="Ask the clinic.",
                found=found or len(offending),
            )
        )

    def _begin(self, stage: str) -> None:
        self.called.append(str(stage))
        self.before.get(str(stage), lambda: None)()


@pytest.fixture
def stages(monkeypatch) -> Stages:
    """The stages as the flow calls them, replaced by stand-ins."""
    stages = Stages()
    for name in ("ingest", "check", "record", "build", "label", "describe", "publish"):
        monkeypatch.setattr(flow, name, getattr(stages, name))
    return stages


@pytest.fixture
def lidcohort(root) -> Callable[..., int]:
    """`lidcohort COMMAND` on the small workspace; returns the exit status."""
    return lambda command, *more: carry_out([command, "--workspace", str(root), *more])


@pytest.fixture
def current(root) -> Callable[[], str | None]:
    """The name of the release that people read."""
    link = root / "current"
    return lambda: link.resolve().name if link.is_symlink() else None
