"""The front door: every export of a workspace into the stores, and a report of what was found."""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor

from ingest.batches import Export, find_exports
from ingest.checking import Account
from ingest.dropping import keys_to_drop
from ingest.forgotten import NOBODY
from ingest.keys import Rekeying
from ingest.report import IngestReport, report_of
from ingest.store import (
    read_mapping,
    refuse_mappings_of_no_site,
    remove_leftovers,
    run_digest,
    unit_digest,
)
from ingest.units import Unit, ingest_unit
from pipeline.workspace import Workspace

AT_ONCE = 3  # units: while one waits for the disk another is checked


def ingest(
    workspace: Workspace, *, on_progress: Callable[[int, int], None] | None = None
) -> IngestReport:
    """Check every export that begins by the as-of date; units seen before are only looked up.

    Args:
        workspace: whose exports are read and whose stores are written.
        on_progress: called with the units done and all units.

    Raises:
        WrongUse: no export, an unknown site's folder or mapping, a batch that is named by no date,
            a mapping that cannot be used.
        DataRefused: a file's rows are not all accounted for, or it changed while it was read.
    """
    exports = find_exports(workspace)
    run, rekeying = run_digest(workspace), Rekeying(workspace.key)
    refuse_mappings_of_no_site(workspace)
    mappings = {site: read_mapping(workspace, site) for site in workspace.settings.site_codes}
    forgotten = keys_to_drop(workspace, exports.exports, rekeying)
    remove_leftovers(workspace)

    def ingest_one(export: Export) -> tuple[Unit, Account]:
        site = export.batch.site
        theirs = forgotten.get(site, NOBODY)
        content, mapping = mappings[site]
        digest = unit_digest(export, run, content, theirs)
        return ingest_unit(export, digest, workspace, mapping, rekeying, theirs)

    units, accounts = [], []
    for unit, account in _in_order(ingest_one, exports.exports):
        units.append(unit)
        accounts.append(account)
        if on_progress:
            on_progress(len(units), len(exports.exports))
    return report_of(exports, units, accounts)


def _in_order(
    ingest_one: Callable[[Export], tuple[Unit, Account]], exports: Iterable[Export]
) -> Iterator[tuple[Unit, Account]]:
    """Results in the exports' order; the first failure leaves what has not begun undone."""
    with ThreadPoolExecutor(AT_ONCE) as pool:
        results = [pool.submit(ingest_one, export) for export in exports]
        try:
            for result in results:
                yield result.result()
        finally:
            pool.shutdown(wait=False, cancel_futures=True)
