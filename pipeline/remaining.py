"""What a release was built from, without the rows of forgotten patients."""

import hashlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from ingest import IngestReport, Unit
from ingest.forgotten import Forgotten, is_theirs, theirs_in
from ingest.report import FILES, FLAGGED_VALUES, REFUSED_HARMS, refused_reasons
from pipeline.erasing import count_theirs


def remaining(
    root: Path, manifest: dict[str, Any], forgotten: Forgotten, scratch: Path
) -> IngestReport:
    """Read back a complete release's inputs, without their rows, as if ingest reported them.

    Units that held rows of theirs are written to `scratch` without them. Flagged values are
    counted as they were: they are in no row's keeping, and tell of nobody.
    """
    inputs = root / "inputs"
    erased: Counter[tuple[str, str, str, str, bool]] = Counter()
    units = []
    for told in manifest["units"]:
        unit = _unit(inputs, told)
        keys = forgotten.of(unit.site)
        for is_refused, path in _parts(unit):
            for file, rows in _their_rows(path, keys):
                erased[unit.site, unit.batch, unit.kind, file, is_refused] += rows
        units.append(_without_theirs(unit, keys, scratch))
    batches = pl.read_parquet(inputs / "settings" / "batches.parquet")
    positions = {(b["site"], b["batch"]): b["position"] for b in batches.to_dicts()}
    return IngestReport(
        date.fromisoformat(manifest["as_of"]),
        tuple(units),
        batches,
        _files(_counted(inputs, "files", FILES), erased),
        refused_reasons(positions, units),
        _counted(inputs, "flagged_values", FLAGGED_VALUES),
        _harms(_counted(inputs, "refused_harms", REFUSED_HARMS), forgotten),
    )


def _unit(inputs: Path, told: dict[str, str]) -> Unit:
    site, batch, kind, digest = (told[name] for name in ("site", "batch", "kind", "digest"))
    place = Path(kind) / f"site={site}" / f"batch={batch}" / f"{digest}.parquet"
    refused = inputs / "refused" / place
    return Unit(
        site, batch, kind, digest, inputs / place, refused if refused.is_file() else None, True
    )


def _parts(unit: Unit) -> Iterator[tuple[bool, Path]]:
    yield False, unit.accepted
    if unit.refused is not None:
        yield True, unit.refused


def _their_rows(path: Path, keys: frozenset[str]) -> list[tuple[str, int]]:
    """Their rows of a file of checked rows, by the export's file."""
    if not keys:
        return []
    rows = pl.scan_parquet(path)
    theirs = rows.filter(theirs_in(rows, keys))
    return theirs.group_by("source_file").len().collect(engine="streaming").rows()


def _without_theirs(unit: Unit, keys: frozenset[str], scratch: Path) -> Unit:
    """The unit itself where none of its rows is theirs, else its other rows under a new digest."""
    if not keys or not any(count_theirs(path, keys) for _, path in _parts(unit)):
        return unit
    whole = " ".join([unit.digest, *sorted(keys)])
    digest = hashlib.sha256(whole.encode()).hexdigest()[: len(unit.digest)]
    accepted = _written(unit.accepted, keys, scratch / f"{digest}.accepted.parquet")
    refused = unit.refused and _written(unit.refused, keys, scratch / f"{digest}.refused.parquet")
    return replace(unit, digest=digest, accepted=accepted, refused=refused)


def _written(path: Path, keys: frozenset[str], target: Path) -> Path:
    rows = pl.scan_parquet(path)
    rows.filter(~theirs_in(rows, keys)).sink_parquet(target)
    return target


def _counted(inputs: Path, name: str, schema: pl.Schema) -> pl.DataFrame:
    """A table of counts, with the columns that came after its release was made."""
    kept = pl.read_parquet(inputs / "quality" / f"{name}.parquet")
    return pl.concat([pl.DataFrame(schema=schema), kept], how="diagonal").select(schema.names())


def _files(files: pl.DataFrame, erased: Counter[tuple[str, str, str, str, bool]]) -> pl.DataFrame:
    """Each file's rows counted anew: those that were erased are forgotten now."""
    told = files.with_columns(pl.col("forgotten").fill_null(0)).to_dicts()
    for file in told:
        place = (file["site"], file["batch"], file["kind"], file["file"])
        accepted, refused = erased[*place, False], erased[*place, True]
        file["accepted"] -= accepted
        file["refused"] -= refused
        file["forgotten"] += accepted + refused
    return pl.DataFrame(told, schema=FILES)


def _harms(harms: pl.DataFrame, forgotten: Forgotten) -> pl.DataFrame:
    for site, keys in forgotten.keys.items():
        harms = harms.filter(~((pl.col("site") == site) & is_theirs(harms.columns, keys)))
    return harms
