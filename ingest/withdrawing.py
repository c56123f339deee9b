"""What a batch told of that must not vanish with it: its harms, accepted or refused."""

from typing import Any

import polars as pl

from ingest.batches import Batch, find_exports
from ingest.dropping import keys_to_drop
from ingest.forgotten import NOBODY
from ingest.harms import harm_column, harms_accepted
from ingest.keys import Rekeying
from ingest.store import read_mapping, run_digest, unit_digest
from ingest.units import ingest_unit
from pipeline.workspace import Workspace


def harms_of_batch(workspace: Workspace, batch: Batch) -> tuple[dict[str, Any], ...]:
    """Every harm that a batch tells of, as plain values; its units are read if they are not yet.

    Raises:
        DataRefused: a file's rows are not all accounted for, or it changed while it was read.
    """
    exports = find_exports(workspace.as_of(batch.last_day)).exports
    run, rekeying = run_digest(workspace), Rekeying(workspace.key)
    forgotten = keys_to_drop(workspace, exports, rekeying).get(batch.site, NOBODY)
    content, mapping = read_mapping(workspace, batch.site)
    harms: list[dict[str, Any]] = []
    for export in exports:
        if export.batch.folder != batch.folder or harm_column(export.kind) is None:
            continue
        digest = unit_digest(export, run, content, forgotten)
        unit, account = ingest_unit(export, digest, workspace, mapping, rekeying, forgotten)
        accepted = pl.read_parquet(unit.accepted)
        told = harms_accepted(accepted, export.kind, batch.site, batch.name, rekeying)
        told = told.with_columns(pl.col("event_date").cast(pl.String))
        harms += [{"kind": unit.kind} | harm for harm in told.to_dicts()]
        harms += [{"kind": unit.kind} | harm for harm in account["refused_harms"]]
    return tuple(harms)
