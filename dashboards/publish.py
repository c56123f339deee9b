"""The stage's front door: reads the warehouse once, writes pages, assets and shared tables."""

import shutil
from collections.abc import Callable, Iterator, Mapping
from importlib.resources import as_file, files
from pathlib import Path

from dashboards import cautions, feedback, recall_list, words
from dashboards.missing_and_mixed import with_missing_and_mixed
from dashboards.page import Frame, Page, environment
from dashboards.pages import (
    delivery,
    dose,
    durability,
    expect,
    leaving,
    method,
    month,
    protocols,
    quality,
    recall,
    response,
    safety,
    sessions,
    side_by_side,
    sites,
    start,
)
from dashboards.shared_tables import HIDDEN_COLUMN, SharedTables
from dashboards.source import Source
from dashboards.warehouse import Warehouse
from pipeline.durable import Step, durable_step
from pipeline.workspace import Release

PAGES = (
    *(start, side_by_side, response, sessions, durability, protocols, sites),
    *(leaving, delivery, dose),
    *(safety, quality, method, month),
    *(recall, expect),
)
LISTS = {feedback.FILE: feedback.feedback, recall_list.FILE: recall_list.recall_list}
ASSETS = ("pages.css", "choices.js", "charts.js")
SHARED_COMMENT = (
    "Here only totals and rows broken down by one thing, and numbers that would tell a small count "
    "are null (definition 17)."
)
HIDDEN_COMMENT = "A number of the row is null because it would tell a small count. Never null."


def publish(release: Release, *, on_progress: Callable[[int, int], None] | None = None) -> None:
    """Write a release's pages to `release.dashboards` and its shared tables to `release.tables`.

    Equal warehouses and settings give equal bytes. Both folders are made anew.

    Args:
        release: with its warehouse built and its gates' results recorded.
        on_progress: told of pages done and in all.

    Raises:
        duckdb.Error: the warehouse cannot be read.
        OSError: a folder cannot be written.
    """
    warehouse = Warehouse(release.warehouse)
    shared = SharedTables(warehouse.cohorts(), release.settings.privacy.hide_counts_below)
    _write_tables(shared, warehouse, _emptied(release.tables))
    folder = _emptied(release.dashboards)
    _write_assets(folder / "assets")
    source = Source(release.settings, release.as_of, warehouse, shared)
    pages = list(_pages(source))
    frame = Frame(
        group=release.settings.group.name,
        as_of=words.day(release.as_of),
        release=release.name,
        cautions=cautions.GENERAL,
        invented=release.settings.group.invented,
        environment=environment(),
    )
    for clinic in source.clinics_with_data:
        for name, listed in LISTS.items():
            path = folder / clinic.folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            durable_step(Step.PAGES)
            path.write_text(listed(source, clinic), encoding="utf-8", newline="")
    for done, page in enumerate(pages, start=1):
        path = folder / page.path
        path.parent.mkdir(parents=True, exist_ok=True)
        durable_step(Step.PAGES)
        path.write_text(frame.render(page), encoding="utf-8")
        if on_progress:
            on_progress(done, len(pages))


def _pages(source: Source) -> Iterator[Page]:
    for module in PAGES:
        for page in module.pages(source):
            yield with_missing_and_mixed(source, page)


def _write_tables(shared: SharedTables, warehouse: Warehouse, folder: Path) -> None:
    for name, frame in shared.frames():
        durable_step(Step.TABLES)
        comments = _as_shared(warehouse.comments(name))
        frame.write_parquet(folder / f"{name}.parquet", metadata=comments)


def _as_shared(comments: Mapping[str, str]) -> dict[str, str]:
    """A table's comments for its file's metadata: `comment`, and `comment:<column>` for each."""
    told = {f"comment:{column}" if column else "comment": said for column, said in comments.items()}
    if "comment" in told:
        told["comment"] += f" {SHARED_COMMENT}"
    return {**told, f"comment:{HIDDEN_COLUMN}": HIDDEN_COMMENT}


def _write_assets(folder: Path) -> None:
    durable_step(Step.PAGES)
    folder.mkdir()
    for name in ASSETS:
        (folder / name).write_bytes((files("dashboards") / "assets" / name).read_bytes())
    with as_file(files("plotly") / "package_data" / "plotly.min.js") as script:
        shutil.copyfile(script, folder / "plotly.min.js")


def _emptied(folder: Path) -> Path:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    return folder
