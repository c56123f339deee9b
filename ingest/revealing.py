"""Keys turned back into a clinic's own patient numbers, by re-keying every number it exported."""

from collections.abc import Callable, Set

import polars as pl

from ingest.batches import Export, find_exports
from ingest.contract import PATIENT
from ingest.forgotten import read_forgotten
from ingest.gathering import screened_blocks
from ingest.keys import Rekeying
from ingest.mapping import SiteMapping
from ingest.raw import UnusableFileError
from ingest.store import read_mapping
from pipeline.workspace import Workspace


def own_ids(
    workspace: Workspace,
    site: str,
    keys: Set[str],
    *,
    on_progress: Callable[[int, int], None] | None = None,
) -> dict[str, str]:
    """A site's own patient ids by their keys, of those keys that its exports still tell.

    A key is a code that cannot be reversed: only the ids themselves give it again. The newest
    batches come first, and nothing more is read once every key is found. Forgotten patients, and
    those whom only a withdrawn batch or a refused file names, stay unknown.

    Raises:
        WrongUse: no export, or a mapping that cannot be used.
        DataRefused: a file changed while it was read.
        OSError: a file cannot be read.
    """
    wanted = keys - read_forgotten(workspace).of(site)
    exports = [
        export
        for export in reversed(find_exports(workspace).exports)
        if export.batch.site == site and PATIENT in export.kind.columns
    ]
    _, mapping = read_mapping(workspace, site)
    rekeying, found, seen = Rekeying(workspace.key), dict[str, str](), set[str]()
    for done, export in enumerate(exports, start=1):
        if wanted <= found.keys():
            break
        new = _ids_in(export, mapping) - seen
        seen |= new
        ids = sorted(new)
        codes = rekeying.keys(pl.Series(PATIENT.name, ids, dtype=pl.String), site, PATIENT.entity)
        found |= {key: own for key, own in zip(codes, ids, strict=True) if key in wanted}
        if on_progress:
            on_progress(done, len(exports))
    return found


def _ids_in(export: Export, mapping: SiteMapping) -> set[str]:
    """Every patient's id that an export names, as re-keying takes it."""
    ids, own = set[str](), mapping.of(export.kind)
    for path in export.files:
        try:
            blocks = screened_blocks(path, export.kind, own, export.batch.site, export.limits)
        except UnusableFileError:  # refused whole, so that no key comes from it
            continue
        for block in blocks:
            ids.update(block.table.values(PATIENT.name).drop_nulls().to_list())
    return ids
