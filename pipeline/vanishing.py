"""What people read must not vanish with a file: exports that are gone, harms written over."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import polars as pl

from ingest import IngestReport
from ingest.batches import holds_export
from ingest.contract import KINDS_BY_NAME, SEVERITIES
from ingest.harms import UNREADABLE_HARM, harm_column, harms_accepted
from ingest.keys import Rekeying, fingerprint
from ingest.report import REFUSED_HARMS
from ingest.withdrawn import read_withdrawn
from pipeline.errors import WrongUse, in_short
from pipeline.inputs import unit_file
from pipeline.release import KEY_FINGERPRINT, read_manifest
from pipeline.standing import current
from pipeline.workspace import Workspace

Place = tuple[str, str, str]  # site, batch and kind
AS_TOLD = {name: REFUSED_HARMS[name] for name in ("harm_key", "event", "severity", "serious")}


def refuse_lost_exports(workspace: Workspace) -> None:
    """Stop where an export that people read is there no longer: its harms would go with it.

    Raises:
        WrongUse: naming what was lost.
    """
    withdrawn = {withdrawal.place for withdrawal in read_withdrawn(workspace)}
    lost = [
        "/".join(place)
        for place in _units(_read_by_people(workspace))
        if place[0] in workspace.settings.site_codes
        and place[:2] not in withdrawn
        and not holds_export(workspace.exports.joinpath(*place[:2]), place[2])
    ]
    if lost:
        raise WrongUse(
            f"The release that people read holds exports that lie in {workspace.exports} no "
            f"longer: {in_short(lost)}.",
            "Put them back. If a batch should no longer count, withdraw it then: `lidcohort "
            "withdraw` keeps the harms it told of.",
        )


def refuse_overwritten_harms(workspace: Workspace, report: IngestReport) -> None:
    """Stop where an export that people read was written over and tells less of a harm than it did.

    A harm that a newer batch corrects stays listed until it is settled; of one that is written
    over nothing would be left. Those whose code could not be read, and those that are settled,
    may go. A release that was made with another key tells nothing that could be compared.

    Raises:
        WrongUse: naming the exports and the harms' keys.
    """
    manifest = _read_by_people(workspace)
    if manifest.get(KEY_FINGERPRINT) != fingerprint(workspace.key):
        return
    inputs, rekeying = workspace.current.resolve() / "inputs", Rekeying(workspace.key)
    refused_before = pl.read_parquet(inputs / "quality" / "refused_harms.parquet")
    before = _units(manifest)
    lost: dict[str, list[str]] = {}
    for unit in report.units:
        place = (unit.site, unit.batch, unit.kind)
        told_of_harm = harm_column(KINDS_BY_NAME[unit.kind]) and place in before
        if not told_of_harm or before[place] == unit.digest:
            continue
        told = _harms(inputs / unit_file(*place, before[place]), refused_before, place, rekeying)
        tells = _harms(unit.accepted, report.refused_harms, place, rekeying)
        settled = {one.harm for one in workspace.settings.settled_harm if one.site == unit.site}
        if gone := sorted(vanished(told, tells) - settled):
            lost["/".join(place)] = gone
    if lost:
        listed = ", ".join(f"{place} ({in_short(keys)})" for place, keys in lost.items())
        raise WrongUse(
            "Exports that people read were written over, and tell less of these harms than they "
            f"did: {listed}.",
            "Put the files back as they were and have the clinic correct a harm in a newer batch, "
            "so that it stays listed; or settle it first, in group.toml under [[settled_harm]]. "
            "Where a patient is to be erased, `lidcohort forget` comes before the file is changed.",
        )


def vanished(told: pl.DataFrame, tells: pl.DataFrame) -> set[str]:
    """Keys of harms that were told and are told no longer, or as less bad than they were."""
    was_unreadable = pl.col("event") == UNREADABLE_HARM
    rank = pl.Enum(SEVERITIES)
    as_bad = pl.col("severity").is_null() | (
        pl.col("severity_now").cast(rank) >= pl.col("severity").cast(rank)
    ).fill_null(value=False)
    as_serious = ~pl.col("serious").fill_null(value=False) | pl.col("serious_now")
    rows = told.with_row_index()
    both = rows.join(tells, on=["harm_key", "event"], suffix="_now")
    stands = both.filter(as_bad, as_serious)
    gone = rows.filter(~was_unreadable).join(stands, on="index", how="anti")
    return set(gone["harm_key"])


def _read_by_people(workspace: Workspace) -> Mapping[str, Any]:
    """The current release's manifest; nothing where none is, and of a group that is invented,
    which may be invented anew when it pleases.
    """
    root = current(workspace.root)
    if root is None or workspace.settings.group.invented:
        return {}
    return read_manifest(root) or {}


def _units(manifest: Mapping[str, Any]) -> dict[Place, str]:
    return {
        (unit["site"], unit["batch"], unit["kind"]): unit["digest"]
        for unit in manifest.get("units", ())
    }


def _harms(accepted: Path, refused: pl.DataFrame, place: Place, rekeying: Rekeying) -> pl.DataFrame:
    """Every harm of a unit, from its accepted rows and its refused ones."""
    site, batch, kind = place
    harms = harms_accepted(pl.read_parquet(accepted), KINDS_BY_NAME[kind], site, batch, rekeying)
    of_unit = refused.filter(
        pl.col("site") == site,
        pl.col("batch") == batch,
        pl.col("kind") == kind,
        pl.col("withdrawn_last_day").is_null(),
    )
    return pl.concat([_as_told(harms), _as_told(of_unit)])


def _as_told(harms: pl.DataFrame) -> pl.DataFrame:
    lacking = [
        pl.lit(None, AS_TOLD[name]).alias(name) for name in AS_TOLD if name not in harms.columns
    ]
    return harms.with_columns(lacking).select(list(AS_TOLD))
