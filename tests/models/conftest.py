"""Small releases laid out by hand: a stage's inputs, without the stages before it."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from ingest.contract import KINDS, KINDS_BY_NAME
from models.definitions import frames
from pipeline.published import Published
from pipeline.settings import Settings
from pipeline.workspace import Release

Rows = Sequence[Mapping[str, Any]]
MakeRelease = Callable[..., Release]

FIXED = pl.Decimal(18, 6)
SITES = {"site": pl.String, "label": pl.String, "exports": pl.String, "position": pl.Int64}
BATCHES = {
    "site": pl.String,
    "batch": pl.String,
    "first_day": pl.Date,
    "last_day": pl.Date,
    "position": pl.Int64,
}
PROTOCOLS = {
    "protocol": pl.String,
    "label": pl.String,
    "position": pl.Int64,
    "sessions_planned": pl.Int64,
    "spacing_low_days": pl.Int64,
    "spacing_high_days": pl.Int64,
    "band_low_c": FIXED,
    "band_high_c": FIXED,
    "ceiling_c": FIXED,
    "minutes_low": FIXED,
    "minutes_high": FIXED,
    "maintenance_low_days": pl.Int64,
    "maintenance_high_days": pl.Int64,
    "price": FIXED,
}
UNITS = dict.fromkeys(("site", "batch", "kind", "digest"), pl.String)
SETTLED = {"site": pl.String, "harm": pl.String, "decision": pl.String, "decided_on": pl.Date}
ARRIVALS: dict[str, dict[str, Any]] = {
    "files": {
        "site": pl.String,
        "batch": pl.String,
        "kind": pl.String,
        "file": pl.String,
        "bytes": pl.Int64,
        "rows_read": pl.Int64,
        "accepted": pl.Int64,
        "refused": pl.Int64,
        "exact_repeats": pl.Int64,
        "forgotten": pl.Int64,
        "file_refused": pl.Boolean,
        "file_reason": pl.String,
        "read_as": pl.String,
    },
    "refused_reasons": {
        "site": pl.String,
        "batch": pl.String,
        "kind": pl.String,
        "file": pl.String,
        "column_name": pl.String,
        "reason": pl.String,
        "rows": pl.Int64,
        "would_have_replaced": pl.Int64,
        "first_rows": pl.String,
    },
    "flagged_values": {
        "site": pl.String,
        "batch": pl.String,
        "kind": pl.String,
        "file": pl.String,
        "column_name": pl.String,
        "reason": pl.String,
        "flagged": pl.Int64,
    },
    "refused_harms": {
        "site": pl.String,
        "batch": pl.String,
        "kind": pl.String,
        "harm_key": pl.String,
        "patient_key": pl.String,
        "session_key": pl.String,
        "eye": pl.String,
        "event": pl.String,
        "event_date": pl.Date,
        "source_file": pl.String,
        "source_row": pl.Int64,
        "severity": pl.String,
        "serious": pl.Boolean,
        "withdrawn_last_day": pl.Date,
    },
}

SETTINGS = Settings.model_validate(
    {
        "site": [{"code": "alder"}, {"code": "birch", "exports": "full"}],
        "protocol": [
            {"code": "four_fortnightly", "sessions_planned": 4},
            {"code": "three_monthly", "sessions_planned": 3, "spacing_days": [25, 35]},
        ],
    }
)
BATCH = {
    "site": "alder",
    "batch": "2025-12",
    "first_day": date(2025, 12, 1),
    "last_day": date(2025, 12, 31),
    "position": 1,
}


@pytest.fixture
def make_release(tmp_path: Path) -> MakeRelease:
    """Lays out a release for one test, by `lay_out`."""
    return partial(lay_out, tmp_path / "release")


@pytest.fixture(scope="module")
def make_shared_release(tmp_path_factory: pytest.TempPathFactory) -> MakeRelease:
    """Lays out a release for all tests of a module, by `lay_out`."""
    return partial(lay_out, tmp_path_factory.mktemp("models") / "release")


def lay_out(
    root: Path,
    rows: Mapping[str, Rows] | None = None,
    *,
    settings: Settings = SETTINGS,
    batches: Rows = (BATCH,),
    as_of: date = date(2025, 12, 31),
    refused: Mapping[str, Rows] | None = None,
    arrivals: Mapping[str, Rows] | None = None,
    with_definitions: bool = False,
) -> Release:
    """Write a release's inputs from accepted and refused rows by kind, and its quality tables.

    A row that doesn't say so is alder's, of its batch 2025-12. A file is counted for each unit
    with accepted rows, unless `arrivals` gives the files. The models of what a group defines are
    built only `with_definitions`, of which there are none.
    """
    release = Release(root, settings, as_of)
    for kind in KINDS:
        _write_units(release.inputs / kind.name, kind.name, (rows or {}).get(kind.name, ()))
        turned_away = (refused or {}).get(kind.name, ())
        _write_units(release.inputs / "refused" / kind.name, kind.name, turned_away)
    tables: dict[str, tuple[Rows, Mapping[str, Any]]] = {
        "batches": (batches, BATCHES),
        "sites": (_sites(settings), SITES),
        "protocols": (_protocols(settings), PROTOCOLS),
        "settled_harms": ([harm.model_dump() for harm in settings.settled_harm], SETTLED),
        "units": ((), UNITS),
    }
    for name, (some, schema) in tables.items():
        _write(release.inputs / "settings" / f"{name}.parquet", some, schema)
    for name, frame in Published().frames.items():
        _write(release.inputs / "published" / f"{name}.parquet", (), frame.schema)
    counts: dict[str, Rows] = {"files": _files(rows or {}), **(arrivals or {})}
    for name, schema in ARRIVALS.items():
        _write(release.inputs / "quality" / f"{name}.parquet", counts.get(name, ()), schema)
    for name, frame in frames({}).items() if with_definitions else ():
        _write(release.definitions / f"{name}.parquet", (), frame.schema)
    return release


def _placed(row: Mapping[str, Any]) -> dict[str, Any]:
    return {"site": "alder", "batch": "2025-12", **row}


def _files(rows: Mapping[str, Rows]) -> list[dict[str, Any]]:
    """A file for each site, batch and kind that has rows."""
    units = {
        (placed["site"], placed["batch"], kind)
        for kind, some in rows.items()
        for placed in map(_placed, some)
    }
    return [
        {"site": site, "batch": batch, "kind": kind, "file": f"{kind}.csv", "file_refused": False}
        for site, batch, kind in sorted(units)
    ]


def _write_units(folder: Path, kind: str, rows: Iterable[Mapping[str, Any]]) -> None:
    schema = KINDS_BY_NAME[kind].stored_schema
    units: dict[tuple[str, str], list[Mapping[str, Any]]] = {("none", "none"): []}
    for row in map(_placed, rows):
        units.setdefault((row["site"], row["batch"]), []).append(row)
    for (site, batch), some in units.items():
        path = folder / f"site={site}" / f"batch={batch}" / "unit.parquet"
        _write(path, some, schema)


def _write(path: Path, rows: Rows, schema: Mapping[str, Any]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    columns = {
        name: pl.Series(name, [_stored(row.get(name), kind) for row in rows], dtype=kind)
        for name, kind in schema.items()
    }
    pl.DataFrame(columns).write_parquet(path)


def _stored(value: Any, kind: Any) -> Any:
    if value is None:
        return None
    if isinstance(kind, pl.Decimal):
        return Decimal(str(value))
    return date.fromisoformat(value) if kind == pl.Date and isinstance(value, str) else value


def _sites(settings: Settings) -> list[dict[str, Any]]:
    return [
        {"site": site.code, "label": site.label, "exports": site.exports, "position": position}
        for position, site in enumerate(settings.site, start=1)
    ]


def _protocols(settings: Settings) -> list[dict[str, Any]]:
    return [
        {
            "protocol": protocol.code,
            "label": protocol.label,
            "position": position,
            "sessions_planned": protocol.sessions_planned,
            "spacing_low_days": protocol.spacing_days[0],
            "spacing_high_days": protocol.spacing_days[1],
            "band_low_c": protocol.band_c[0],
            "band_high_c": protocol.band_c[1],
            "ceiling_c": protocol.ceiling_c,
            "minutes_low": protocol.minutes[0],
            "minutes_high": protocol.minutes[1],
            "maintenance_low_days": protocol.maintenance_days[0],
            "maintenance_high_days": protocol.maintenance_days[1],
            "price": protocol.price,
        }
        for position, protocol in enumerate(settings.protocol, start=1)
    ]
