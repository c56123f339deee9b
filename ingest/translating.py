"""Keys made with a former secret, and what the present one makes of the same ids.

A key does not give its id back. The clinics' exports do: each id in them is re-keyed with both.
"""

import re
from collections.abc import Collection, Iterator

import polars as pl

from ingest.batches import Export, every_export
from ingest.gathering import screened_blocks
from ingest.harms import DIGITS, ROW, harm_column, place_of
from ingest.keys import Rekeying
from ingest.raw import Block, UnusableFileError
from ingest.store import read_mapping
from pipeline.workspace import Workspace

KEY = re.compile(r"(?<![0-9a-f])([0-9a-f]{16})([0-9a-f]{16})?(?![0-9a-f])")


class Translation:
    """The present keys of ids, by the first sixteen digits of their former or present keys."""

    def __init__(self, present: dict[str, str]) -> None:
        self._present = present

    def of(self, text: str) -> str:
        """A text with the present key, as long as it was, in place of each that is known."""
        return KEY.sub(self._new, text)

    def knows(self, key: str) -> bool:
        return key[:DIGITS] in self._present

    def _new(self, key: re.Match[str]) -> str:
        return self._present.get(key[1], key[0])[: len(key[0])]


def keys_in(text: str) -> set[str]:
    """The first sixteen digits of every key in a text."""
    return {key[1] for key in KEY.finditer(text)}


def translation(workspace: Workspace, wanted: Collection[str]) -> Translation:
    """Look among all ids in the exports for those of some keys, by their first sixteen digits."""
    present: dict[str, str] = {}
    if not wanted:
        return Translation(present)
    now = Rekeying(workspace.key)
    former = [Rekeying(secret) for secret in workspace.former_keys]
    sought = pl.Series(sorted(wanted))
    for site, entity, ids in _all_ids(workspace):
        new = now.keys(ids, site, entity)
        for known in (new, *(then.keys(ids, site, entity) for then in former)):
            begins = known.str.head(DIGITS)
            found = begins.is_in(sought.implode())
            present.update(zip(begins.filter(found), new.filter(found), strict=True))
    return Translation(present)


def _all_ids(workspace: Workspace) -> Iterator[tuple[str, str, pl.Series]]:
    """Site, entity, and different ids of it, block by block; a refused file's are in no list."""
    for export in every_export(workspace):
        site = export.batch.site
        _, mapping = read_mapping(workspace, site)
        own = mapping.of(export.kind)
        for path in export.files:
            try:
                for block in screened_blocks(path, export.kind, own, site, export.limits):
                    yield from ((site, *ids) for ids in _ids(export, path.name, block))
            except UnusableFileError:
                continue


def _ids(export: Export, file: str, block: Block) -> Iterator[tuple[str, pl.Series]]:
    for key in export.kind.keys:
        yield key.entity, block.table.values(key.name).drop_nulls().unique()
    if harm_column(export.kind):  # a harm without a key of its own is known by its place
        rows = pl.concat([block.table.column("source_row"), block.ragged["source_row"]])
        places = pl.DataFrame({"source_file": file, "source_row": rows})
        yield ROW, places.select(place_of(export.batch.name, export.kind)).to_series()
