"""The front door: every export of a workspace into the stores, and a report of what was found."""

from collections.abc import Callable

from ingest.batches import find_exports
from ingest.keys import Rekeying
from ingest.report import IngestReport, report_of
from ingest.store import mapping_bytes, remove_leftovers, run_digest, unit_digest
from ingest.units import ingest_unit
from pipeline.workspace import Workspace


def ingest(
    workspace: Workspace, *, on_progress: Callable[[int, int], None] | None = None
) -> IngestReport:
    """Check every export that begins by the as-of date; units seen before are only looked up.

    Args:
        workspace: whose exports are read and whose stores are written.
        on_progress: called with the units done and all units.

    Raises:
        WrongUse: no export, an unknown site's folder, a batch that is named by no date.
        DataRefused: a file's rows are not all accounted for.
    """
    exports = find_exports(workspace)
    run, rekeying = run_digest(workspace), Rekeying(workspace.key)
    mappings = {code: mapping_bytes(workspace, code) for code in workspace.settings.site_codes}
    remove_leftovers(workspace)
    units, accounts = [], []
    for done, export in enumerate(exports.exports, start=1):
        digest = unit_digest(export, run, mappings[export.batch.site])
        unit, account = ingest_unit(export, digest, workspace, rekeying)
        units.append(unit)
        accounts.append(account)
        if on_progress:
            on_progress(done, len(exports.exports))
    return report_of(exports, units, accounts)
