"""The list of patients to be forgotten: known by keys alone, and dropped wherever they arrive."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Self

import polars as pl

from ingest.contract import PATIENT, SESSIONS
from pipeline.durable import Step
from pipeline.files import write_whole
from pipeline.workspace import Workspace

SESSION = SESSIONS.column("session_id")
NOBODY: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Forgotten:
    """By site, the keys of forgotten patients and of the sessions known to be theirs.

    `unfinished` names the sites of which rows may be left to erase.
    """

    keys: Mapping[str, frozenset[str]] = field(default_factory=dict)
    unfinished: tuple[str, ...] = ()

    def of(self, site: str) -> frozenset[str]:
        return self.keys.get(site, NOBODY)

    def with_more(self, site: str, keys: frozenset[str]) -> Self:
        """The list with more keys of a site, whose rows are now to be erased."""
        unfinished = tuple(sorted({*self.unfinished, site}))
        return replace(self, keys={**self.keys, site: self.of(site) | keys}, unfinished=unfinished)


def read_forgotten(workspace: Workspace) -> Forgotten:
    """The list that the workspace keeps; an empty one where nobody was forgotten."""
    if not workspace.forgotten.is_file():
        return Forgotten()
    kept = json.loads(workspace.forgotten.read_text("utf-8"))
    keys = {site: frozenset(of_site) for site, of_site in kept["keys"].items()}
    return Forgotten(keys, tuple(kept["unfinished"]))


def write_forgotten(workspace: Workspace, forgotten: Forgotten) -> None:
    """Keep the list, whole or as it was before."""
    keys = {site: sorted(of_site) for site, of_site in sorted(forgotten.keys.items())}
    content = json.dumps({"unfinished": forgotten.unfinished, "keys": keys}, indent=2)
    write_whole(workspace.forgotten, f"{content}\n", mode=0o600, step=Step.FORGOTTEN)


def theirs_in(rows: pl.LazyFrame, keys: frozenset[str]) -> pl.Expr:
    """Whether a row of a file of checked rows is of a forgotten patient."""
    return is_theirs(rows.collect_schema().names(), keys)


def is_theirs(columns: Iterable[str], keys: frozenset[str]) -> pl.Expr:
    """Whether a re-keyed row, of these columns, is of a forgotten patient.

    The patient it names decides, or where it names none its session.
    """
    among = pl.Series(sorted(keys), dtype=pl.String).implode()
    telling = (PATIENT.stored_name, SESSION.stored_name)
    named = [pl.col(name).is_in(among) for name in telling if name in columns]
    return pl.coalesce(*named, pl.lit(False))
