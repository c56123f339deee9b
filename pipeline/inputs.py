"""What a release is built from, and nothing else: laid out in its own `inputs/`."""

from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path

import polars as pl

from ingest import IngestReport
from ingest.contract import KINDS
from models.definitions import Definition, frames
from pipeline.durable import Step, durable_step
from pipeline.files import link_or_copy
from pipeline.published import Published, units_frame
from pipeline.settings import Settings
from pipeline.workspace import Release

_TEXT, _WHOLE, _FIXED, _DAY = pl.String(), pl.Int64(), pl.Decimal(18, 6), pl.Date()
_SITES = pl.Schema({"site": _TEXT, "label": _TEXT, "exports": _TEXT, "position": _WHOLE})
_PROTOCOLS = pl.Schema(
    {
        "protocol": _TEXT,
        "label": _TEXT,
        "position": _WHOLE,
        "sessions_planned": _WHOLE,
        "spacing_low_days": _WHOLE,
        "spacing_high_days": _WHOLE,
        "band_low_c": _FIXED,
        "band_high_c": _FIXED,
        "ceiling_c": _FIXED,
        "minutes_low": _FIXED,
        "minutes_high": _FIXED,
        "maintenance_low_days": _WHOLE,
        "maintenance_high_days": _WHOLE,
        "price": _FIXED,
    }
)
_SETTLED_HARMS = pl.Schema({"site": _TEXT, "harm": _TEXT, "decision": _TEXT, "decided_on": _DAY})


def assemble(
    release: Release,
    report: IngestReport,
    published: Published | None = None,
    definitions: Mapping[str, Definition] | None = None,
) -> None:
    """Lay out a release's own inputs: what was accepted and refused, settings, counts, what
    people read before (nothing where `published` is not given), and what the group defined, if it
    did.
    """
    for unit in report.units:
        place = unit_file(unit.site, unit.batch, unit.kind, unit.digest)
        link_or_copy(unit.accepted, release.inputs / place)
        if unit.refused is not None:
            link_or_copy(unit.refused, release.inputs / "refused" / place)
    for kind in KINDS:
        nothing = pl.DataFrame(schema=kind.stored_schema)
        for store in (release.inputs, release.inputs / "refused"):
            _write(nothing, store / kind.name / "site=none" / "batch=none" / "empty.parquet")
    for name, frame in _setting_frames(release.settings).items():
        _write(frame, release.inputs / "settings" / f"{name}.parquet")
    _write(report.batches, release.inputs / "settings" / "batches.parquet")
    _write(units_frame(units_told(report)), release.inputs / "settings" / "units.parquet")
    for name, frame in (published or Published()).frames.items():
        _write(frame, release.inputs / "published" / f"{name}.parquet")
    for name, frame in arrivals(report).items():
        _write(frame, release.inputs / "quality" / f"{name}.parquet")
    if definitions:
        for name, frame in frames(definitions).items():
            _write(frame, release.definitions / f"{name}.parquet")


def unit_file(site: str, batch: str, kind: str, digest: str) -> Path:
    """Where a unit's rows lie within `inputs/`."""
    return Path(kind) / f"site={site}" / f"batch={batch}" / f"{digest}.parquet"


def units_told(report: IngestReport) -> list[dict[str, str]]:
    """What was read, as the manifest lists it."""
    return [
        {"site": unit.site, "batch": unit.batch, "kind": unit.kind, "digest": unit.digest}
        for unit in report.units
    ]


def arrivals(report: IngestReport) -> dict[str, pl.DataFrame]:
    """What ingest counted, by table."""
    return {
        "files": report.files,
        "refused_reasons": report.refused_reasons,
        "flagged_values": report.flagged_values,
        "refused_harms": report.refused_harms,
    }


def _setting_frames(settings: Settings) -> dict[str, pl.DataFrame]:
    sites = [
        (site.code, site.label or site.code, site.exports, position)
        for position, site in enumerate(settings.site, start=1)
    ]
    protocols = [
        (
            protocol.code,
            protocol.label or protocol.code,
            position,
            protocol.sessions_planned,
            *protocol.spacing_days,
            *map(_fixed, protocol.band_c),
            _fixed(protocol.ceiling_c),
            *map(_fixed, protocol.minutes),
            *protocol.maintenance_days,
            _fixed(protocol.price),
        )
        for position, protocol in enumerate(settings.protocol, start=1)
    ]
    harms = [
        (harm.site, harm.harm, harm.decision, harm.decided_on) for harm in settings.settled_harm
    ]
    return {
        "sites": pl.DataFrame(sites, schema=_SITES, orient="row"),
        "protocols": pl.DataFrame(protocols, schema=_PROTOCOLS, orient="row"),
        "settled_harms": pl.DataFrame(harms, schema=_SETTLED_HARMS, orient="row"),
    }


def _fixed(number: float) -> Decimal:
    return Decimal(str(number))


def _write(frame: pl.DataFrame, path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    durable_step(Step.INPUTS)
    frame.write_parquet(path)
