"""Invented inputs of a release that break no expectation, for tests to spoil one by one."""

import hashlib
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from expectations import Gate, GateReport, check
from ingest.contract import KINDS, Kind
from ingest.report import BATCHES, FILES, FLAGGED_VALUES, REFUSED_HARMS
from pipeline.settings import Settings
from pipeline.workspace import Release

Row = dict[str, Any]
SITES = ("alder", "birch")
MONTHS = tuple(f"2024-0{month}" for month in range(1, 9))
PATIENTS_A_MONTH = 40
SITE_SCHEMA = pl.Schema(
    {"site": pl.String, "label": pl.String, "exports": pl.String, "position": pl.Int64}
)
SETTLED_SCHEMA = pl.Schema(
    {"site": pl.String, "harm": pl.String, "decision": pl.String, "decided_on": pl.Date}
)
SETTINGS = Settings.model_validate(
    {
        "site": [{"code": site} for site in SITES],
        "protocol": [{"code": "four", "sessions_planned": 4}],
    }
)


def key_of(*parts: object) -> str:
    """An invented key: 32 hex digits, as ingest makes them."""
    return hashlib.sha256("/".join(map(str, parts)).encode()).hexdigest()[:32]


def first_day(month: str) -> date:
    return date.fromisoformat(f"{month}-01")


def last_day(month: str) -> date:
    return (first_day(month) + timedelta(days=31)).replace(day=1) - timedelta(days=1)


@dataclass
class Inputs:
    """What came in; `accepted` and `refused` by site, month and kind."""

    root: Path
    exports: dict[str, str] = field(default_factory=lambda: dict.fromkeys(SITES, "changes"))
    accepted: dict[tuple[str, str, str], list[Row]] = field(
        default_factory=lambda: defaultdict(list)
    )
    refused: dict[tuple[str, str, str], list[Row]] = field(
        default_factory=lambda: defaultdict(list)
    )
    counted: dict[tuple[str, str, str], Row] = field(default_factory=dict)  # instead of the true
    flagged_values: list[Row] = field(default_factory=list)
    refused_harms: list[Row] = field(default_factory=list)
    settled_harms: list[Row] = field(default_factory=list)
    as_of: date = date(2024, 8, 31)  # the last day of the newest batch

    @staticmethod
    def key_of(*parts: object) -> str:
        return key_of(*parts)

    def add_month(self, month: str) -> None:
        for site in SITES:
            for kind, rows in rows_of_month(site, month).items():
                self.accepted[site, month, kind] = rows

    def change(self, site: str, month: str, kind: str, **values: Any) -> None:
        for row in self.accepted[site, month, kind]:
            row.update(values)

    def check(self) -> GateReport:
        return check(self.write(), Gate.ARRIVAL)

    def write(self) -> Release:
        release = Release(self.root, SETTINGS, self.as_of)
        for kind in KINDS:
            self._write_rows(release.inputs / kind.name, kind.stored_schema, kind, self.accepted)
            refused = release.inputs / "refused" / kind.name
            self._write_rows(refused, kind.stored_schema, kind, self.refused)
        sites = [
            {"site": site, "label": site, "exports": exports, "position": position}
            for position, (site, exports) in enumerate(self.exports.items(), start=1)
        ]
        for place, rows, schema in (
            ("settings/sites", sites, SITE_SCHEMA),
            ("settings/batches", self._batches(), BATCHES),
            ("settings/settled_harms", self.settled_harms, SETTLED_SCHEMA),
            ("quality/files", self._files(), FILES),
            ("quality/flagged_values", self.flagged_values, FLAGGED_VALUES),
            ("quality/refused_harms", self.refused_harms, REFUSED_HARMS),
        ):
            write_parquet(release.inputs / f"{place}.parquet", rows, schema)
        return release

    def _write_rows(
        self,
        folder: Path,
        schema: pl.Schema,
        kind: Kind,
        rows_of: dict[tuple[str, str, str], list[Row]],
    ) -> None:
        write_parquet(folder / "site=none" / "batch=none" / "empty.parquet", [], schema)
        for (site, month, name), rows in rows_of.items():
            if name == kind.name and rows:
                path = folder / f"site={site}" / f"batch={month}" / "rows.parquet"
                numbered = [
                    {"source_file": f"{name}.csv", "source_row": number} | row
                    for number, row in enumerate(rows, start=2)
                ]
                write_parquet(path, numbered, schema)

    def _batches(self) -> list[Row]:
        return [
            {
                "site": site,
                "batch": month,
                "first_day": first_day(month),
                "last_day": last_day(month),
                "position": position,
            }
            for site in SITES
            for position, month in enumerate(
                sorted({m for s, m, _ in (*self.accepted, *self.counted) if s == site}), start=1
            )
        ]

    def _files(self) -> list[Row]:
        units = dict.fromkeys((*self.accepted, *self.refused, *self.counted))
        return [self._file(*unit) for unit in units]

    def _file(self, site: str, month: str, kind: str) -> Row:
        accepted = len(self.accepted.get((site, month, kind), ()))
        refused = len(self.refused.get((site, month, kind), ()))
        return {
            "site": site,
            "batch": month,
            "kind": kind,
            "file": f"{kind}.csv",
            "bytes": 1000,
            "rows_read": accepted + refused,
            "accepted": accepted,
            "refused": refused,
            "exact_repeats": 0,
            "forgotten": 0,
            "file_refused": False,
            "file_reason": None,
        } | self.counted.get((site, month, kind), {})


def write_parquet(path: Path, rows: list[Row], schema: pl.Schema) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    pl.DataFrame(rows, schema=schema, orient="row").write_parquet(path)


def rows_of_month(site: str, month: str) -> dict[str, list[Row]]:
    """Forty patients: a visit, a session of the right eye and a symptom score each."""
    rows: dict[str, list[Row]] = {"visits": [], "sessions": [], "outcomes": []}
    for number in range(PATIENTS_A_MONTH):
        patient = key_of(site, month, number)
        day = first_day(month) + timedelta(days=(number + SITES.index(site)) % 28)
        rows["visits"].append(
            {
                "visit_key": key_of("visit", patient),
                "patient_key": patient,
                "visit_date": day,
                "visit_reason": "course",
                "severity_grade": "moderate",
            }
        )
        rows["sessions"].append(
            {
                "session_key": key_of("session", patient),
                "patient_key": patient,
                "session_date": day,
                "eye": "right",
                "purpose": "course",
                "protocol": "four",
                "plateau_temp_c": Decimal(42) + number % 3,
                "chair_minutes": Decimal(30 + number % 10),
                "adverse_event": "none",
            }
        )
        rows["outcomes"].append(
            {
                "outcome_key": key_of("outcome", patient),
                "patient_key": patient,
                "assessed_date": day,
                "eye": "both",
                "measure": "osdi",
                "value": Decimal(30 + number % 20),
            }
        )
    return rows


@pytest.fixture
def inputs(tmp_path) -> Inputs:
    """Eight months of two invented clinics in which nothing is wrong."""
    made = Inputs(tmp_path)
    for month in MONTHS:
        made.add_month(month)
    return made
