"""Which exports there are: sites' batches in their order, and each batch's files by kind."""

import calendar
import re
from collections.abc import Container, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from ingest.contract import KINDS, Kind
from ingest.withdrawn import Withdrawal, read_withdrawn
from pipeline.errors import WrongUse, as_sentence, suggestion
from pipeline.settings import NO_LOWER, Limits, Settings
from pipeline.workspace import Workspace

BATCH_NAME = re.compile(r"^(\d{4})-(\d{2})(?:-(\d{2}))?$")
SUFFIXES = (".csv", ".csv.gz", ".parquet", ".xlsx")


@dataclass(frozen=True)
class Batch:
    """One site's batch: a month up to its last day; `position` counts from 1 within the site."""

    site: str
    name: str
    first_day: date
    last_day: date
    position: int
    folder: Path


@dataclass(frozen=True)
class Export:
    """The unit of ingest: a batch's files of one kind, in order of their names."""

    batch: Batch
    kind: Kind
    files: tuple[Path, ...]
    limits: Limits = NO_LOWER


@dataclass(frozen=True)
class Exports:
    """All that is to be read, up to `as_of`; `strays` are files in a batch of no known kind.

    `passed_over` is what lies where no export is looked for, and is none. `withdrawn` batches are
    among none of these.
    """

    as_of: date
    batches: tuple[Batch, ...]
    exports: tuple[Export, ...]
    strays: tuple[tuple[Batch, Path], ...]
    passed_over: tuple[Path, ...]
    withdrawn: tuple[Withdrawal, ...] = ()


def find_exports(workspace: Workspace) -> Exports:
    """Find every batch that begins by the as-of date, and its files.

    A batch's folder without an export in it is not there yet: it moves no cutoff.

    Raises:
        WrongUse: no export, a folder that is no site, a batch's name that is no date, an export
            outside a batch's folder.
    """
    folders = _site_folders(workspace)
    withdrawn = read_withdrawn(workspace)
    left_out = {withdrawal.place for withdrawal in withdrawn}
    batches = [
        batch
        for site in workspace.settings.site_codes
        if site in folders
        for batch in _batches(site, folders[site], left_out)
    ]
    if not batches and left_out:
        raise WrongUse(
            f"Every batch in {workspace.exports} was withdrawn.",
            "Put other exports there, or take one back with `lidcohort withdraw --undo`.",
        )
    if not batches:
        raise WrongUse(
            f"There is no export in {workspace.exports}.",
            "Put each clinic's files into exports/<site>/<YYYY-MM>/.",
        )
    as_of, limits = _as_of(workspace.settings, batches), workspace.settings.limits
    read = tuple(batch for batch in batches if batch.first_day <= as_of)
    if not read:
        raise WrongUse(
            f"Every batch in {workspace.exports} begins after {as_of}.",
            "Give a later as-of date, or the exports up to that day.",
        )
    return Exports(
        as_of,
        read,
        tuple(export for batch in read for export in _exports(batch, limits)),
        tuple((batch, path) for batch in read for path in _strays(batch)),
        tuple(_passed_over(workspace.exports, folders)),
        tuple(one for one in withdrawn if one.first_day <= as_of.isoformat()),
    )


def holds_export(folder: Path, kind: str) -> bool:
    """Whether a batch's folder holds a file of a kind."""
    found = (kind_of(path) for path in _entries(folder))
    return any(one is not None and one.name == kind for one in found)


def every_export(workspace: Workspace) -> Iterator[Export]:
    """Every export that lies in the workspace, withdrawn or after the as-of date as well.

    Raises:
        WrongUse: as `find_exports`, but for no export at all.
    """
    folders = _site_folders(workspace)
    for site in workspace.settings.site_codes:
        if site in folders:
            for batch in _batches(site, folders[site], left_out=()):
                yield from _exports(batch, workspace.settings.limits)


def kind_of(path: Path) -> Kind | None:
    """The kind that a file's name begins with, where its ending is one of an export's."""
    name = path.name.lower()
    if not name.endswith(SUFFIXES):
        return None
    return next((kind for kind in KINDS if name.startswith(kind.name)), None)


def covered_days(name: str) -> tuple[date, date] | None:
    """First and last day that a batch's name covers: YYYY-MM, or YYYY-MM-DD up to that day."""
    match = BATCH_NAME.match(name)
    if not match:
        return None
    year, month = int(match[1]), int(match[2])
    try:
        first = date(year, month, 1)
        last = calendar.monthrange(year, month)[1]
        return first, date(year, month, int(match[3] or last))
    except ValueError:
        return None


def _as_of(settings: Settings, batches: list[Batch]) -> date:
    wanted = settings.group.as_of
    return wanted if isinstance(wanted, date) else max(batch.last_day for batch in batches)


def _site_folders(workspace: Workspace) -> dict[str, Path]:
    folders = {}
    for path in _entries(workspace.exports):
        if path.is_dir():
            folders[path.name] = path
        else:
            _refuse_outside_a_batch(path)
    known = workspace.settings.site_codes
    for name in folders:
        if name not in known:
            raise WrongUse(
                as_sentence(f"exports/{name} is no site of group.toml; {suggestion(name, known)}"),
                "Rename the folder, or add the site to group.toml.",
            )
    return folders


def _batches(site: str, folder: Path, left_out: Container[tuple[str, str]]) -> list[Batch]:
    found = []
    for path in _entries(folder):
        if not path.is_dir():
            _refuse_outside_a_batch(path)
            continue
        days = covered_days(path.name)
        if days is None:
            raise WrongUse(
                f"exports/{site}/{path.name} is named by no date.",
                "Name a batch YYYY-MM, or YYYY-MM-DD where the month is not over.",
            )
        if (site, path.name) in left_out:
            continue
        if any(kind_of(file) for file in _entries(path)):
            found.append((days[1], path.name, days[0], path))
    return [
        Batch(site, name, first, last, position, path)
        for position, (last, name, first, path) in enumerate(sorted(found), start=1)
    ]


def _exports(batch: Batch, limits: Limits) -> Iterator[Export]:
    files = _entries(batch.folder)
    for kind in KINDS:
        of_kind = tuple(path for path in files if kind_of(path) is kind)
        if of_kind:
            yield Export(batch, kind, of_kind, limits)


def _strays(batch: Batch) -> list[Path]:
    return [path for path in _entries(batch.folder) if kind_of(path) is None]


def _passed_over(exports: Path, sites: dict[str, Path]) -> Iterator[Path]:
    """Files beside the sites' or batches' folders, and in folders that hold no export yet."""
    yield from _files(exports)
    for site in sites.values():
        yield from _files(site)
        for folder in filter(Path.is_dir, _entries(site)):
            if not any(kind_of(path) for path in _entries(folder)):
                yield from _files(folder)


def _files(folder: Path) -> list[Path]:
    return [path for path in _entries(folder) if not path.is_dir()]


def _entries(folder: Path) -> list[Path]:
    """A folder's visible entries in order of their names; none where it does not exist."""
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if not path.name.startswith("."))


def _refuse_outside_a_batch(path: Path) -> None:
    if path.name.lower().endswith(SUFFIXES):
        raise WrongUse(
            f"{path} lies outside a batch's folder.",
            "Move it to exports/<site>/<YYYY-MM>/.",
        )
