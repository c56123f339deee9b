"""A small invented group whose exports a test writes by hand."""

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from ingest import IngestReport, ingest
from pipeline.settings import Group, Protocol, Settings, Site
from pipeline.workspace import Workspace

SECRET = b"an invented key of enough length"
BATCH = "2026-03"  # covers 2026-03-01 to 2026-03-31

# One sound row of each kind; a test changes what it is about.
SOUND: dict[str, dict[str, str]] = {
    "visits": {
        "visit_id": "V1",
        "patient_id": "P1",
        "visit_date": "2026-03-02",
        "visit_reason": "assessment",
        "severity_grade": "moderate",
        "diagnosis": "mgd",
        "age_years": "61",
        "sex": "female",
        "home_care_minutes_per_day": "12.5",
        "drops_per_day": "4",
    },
    "sessions": {
        "session_id": "S1",
        "patient_id": "P1",
        "session_date": "2026-03-03",
        "eye": "right",
        "purpose": "course",
        "protocol": "four_fortnightly",
        "lids": "both",
        "plateau_temp_c": "41.5",
        "max_temp_c": "43.2",
        "minutes": "6",
        "chair_minutes": "45",
        "pain_0_10": "2",
        "glands_expressed": "yes",
        "lid_hygiene_done": "no",
        "eye_shield": "yes",
        "stopped_early": "no",
        "screened": "yes",
        "consent_recorded": "yes",
        "operator": "op1",
        "device": "dev-2",
        "adverse_event": "none",
    },
    "outcomes": {
        "outcome_id": "O1",
        "patient_id": "P1",
        "assessed_date": "2026-03-04",
        "eye": "both",
        "measure": "osdi",
        "value": "31.25",
        "timing": "before_treatment",
    },
    "patients": {
        "patient_id": "P1",
        "status": "active",
        "status_date": "2026-03-05",
        "treated_before": "no",
    },
    "plans": {
        "plan_id": "L1",
        "patient_id": "P1",
        "decided_on": "2026-03-02",
        "decision": "accepted",
        "protocol": "four_fortnightly",
        "sessions_planned": "4",
        "home_care_result": "not_enough",
        "ended_on": "2026-03-30",
        "end_reason": "completed",
    },
    "treatments": {
        "treatment_id": "T1",
        "patient_id": "P1",
        "treatment": "warm_mask",
        "eye": "both",
        "started_on": "2026-03-01",
        "stopped_on": "2026-03-20",
    },
    "adverse_events": {
        "event_id": "E1",
        "patient_id": "P1",
        "onset_date": "2026-03-04",
        "event": "redness",
        "severity": "mild",
        "serious": "no",
        "session_id": "S1",
        "eye": "right",
        "resolved_date": "2026-03-06",
    },
    "temperatures": {"session_id": "S1", "eye": "right", "t_s": "0", "temp_c": "41.5"},
}


@dataclass
class Exports:
    """The group's workspace; what is written is CSV unless a test writes bytes of its own."""

    workspace: Workspace
    report: IngestReport | None = None

    def folder(self, site: str = "alder", batch: str = BATCH) -> Path:
        folder = self.workspace.exports / site / batch
        folder.mkdir(parents=True, exist_ok=True)
        return folder

    def write(
        self,
        kind: str,
        *changes: Mapping[str, str],
        site: str = "alder",
        batch: str = BATCH,
        file: str | None = None,
    ) -> Path:
        """Write a file of one sound row for each set of changes to it."""
        rows = [SOUND[kind] | dict(change) for change in changes]
        path = self.folder(site, batch) / (file or f"{kind}.csv")
        path.write_text(as_csv(rows, list(rows[0]) if rows else list(SOUND[kind])))
        return path

    def write_bytes(self, file: str, content: bytes, batch: str = BATCH) -> Path:
        path = self.folder(batch=batch) / file
        path.write_bytes(content)
        return path

    def map(self, mapping: str, site: str = "alder") -> None:
        """Give a site a mapping, in TOML."""
        self.workspace.mappings.mkdir(parents=True, exist_ok=True)
        (self.workspace.mappings / f"{site}.toml").write_text(mapping, encoding="utf-8")

    def read(self) -> IngestReport:
        self.report = ingest(self.workspace)
        return self.report

    def accepted(self, kind: str, batch: str = BATCH, site: str = "alder") -> pl.DataFrame:
        """All accepted rows of one site's batch and kind, after a run of ingest."""
        return self._stored(kind, batch, site, "accepted")

    def refused(self, kind: str, batch: str = BATCH, site: str = "alder") -> pl.DataFrame:
        return self._stored(kind, batch, site, "refused")

    def reasons(self, kind: str, **where: str) -> list[list[tuple[str, str]]]:
        """For each refused row, its (column, reason) pairs."""
        return [
            [(reason["column_name"], reason["reason"]) for reason in row]
            for row in self.refused(kind, **where)["reasons"].to_list()
        ]

    def _stored(self, kind: str, batch: str, site: str, store: str) -> pl.DataFrame:
        assert self.report is not None
        paths = [
            getattr(unit, store)
            for unit in self.report.units
            if (unit.kind, unit.batch, unit.site) == (kind, batch, site)
        ]
        frames = [pl.read_parquet(path) for path in paths if path is not None]
        return pl.concat(frames) if frames else pl.DataFrame({"reasons": []})


def as_csv(rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, restval="", extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def settings(as_of: date | None = None) -> Settings:
    return Settings(
        group=Group(as_of=as_of or "latest"),
        site=(Site(code="alder"), Site(code="birch")),
        protocol=(
            Protocol(code="four_fortnightly", sessions_planned=4),
            Protocol(code="three_monthly", sessions_planned=3),
        ),
    )
