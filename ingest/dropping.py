"""Whose rows are dropped on arrival: forgotten patients', their sessions' among them."""

from collections.abc import Iterable

from ingest.batches import Export
from ingest.contract import PATIENT, SESSIONS
from ingest.forgotten import SESSION, read_forgotten
from ingest.gathering import screened_blocks
from ingest.keys import Rekeying
from ingest.raw import UnusableFileError
from ingest.store import read_mapping
from pipeline.workspace import Workspace


def keys_to_drop(
    workspace: Workspace, exports: Iterable[Export], rekeying: Rekeying
) -> dict[str, frozenset[str]]:
    """By site: the keys listed, and those of sessions that these exports give to a listed patient.

    A temperature log names no patient; only the sessions tell whose it is.
    """
    of_sessions = [export for export in exports if export.kind is SESSIONS]
    return {
        site: keys.union(
            *(
                _their_sessions(workspace, export, keys, rekeying)
                for export in of_sessions
                if export.batch.site == site
            )
        )
        for site, keys in read_forgotten(workspace).keys.items()
    }


def _their_sessions(
    workspace: Workspace, export: Export, keys: frozenset[str], rekeying: Rekeying
) -> set[str]:
    site, found = export.batch.site, set[str]()
    _, mapping = read_mapping(workspace, site)
    for path in export.files:
        try:
            own = mapping.of(export.kind)
            blocks = screened_blocks(path, export.kind, own, site, export.limits)
        except UnusableFileError:  # refused whole, so that none of its rows arrives
            continue
        for block in blocks:
            rows = block.table.frame([PATIENT.name, SESSION.name])
            patients = rekeying.keys(rows[PATIENT.name], site, PATIENT.entity)
            theirs = rows.filter(patients.is_in(list(keys)))[SESSION.name].drop_nulls()
            found.update(rekeying.keys(theirs, site, SESSION.entity))
    return found
