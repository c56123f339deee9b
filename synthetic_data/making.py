"""The front door: one call writes a whole invented group."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import polars as pl

from ingest.contract import KINDS_BY_NAME, TEMPERATURES
from pipeline.errors import WrongUse
from synthetic_data.bookkeeping import ROWS_A_CHUNK, keep_books
from synthetic_data.expected import expected_tables
from synthetic_data.export import Ledger, write_rows
from synthetic_data.group import group_toml
from synthetic_data.months import months_until
from synthetic_data.own_forms import form_of, with_ids_of_wide_rows, write_mappings
from synthetic_data.parameters import Parameters
from synthetic_data.planting import Target, with_faults
from synthetic_data.randomness import Theme
from synthetic_data.simulation import Chunk, plan_chunks, simulate
from synthetic_data.truth import (
    forget_true_patients,
    write_expected,
    write_true_patients,
    write_truth,
)

LAST_MONTH = "2026-10"
LOG_COUNTS_AS_ROWS = 20
USUAL = Parameters()
WORKERS = 2  # chunks at a time; what is written does not depend on it


def make_exports(
    folder: Path,
    patients: int = 3000,
    seed: int = 1,
    *,
    months: int = 24,
    dirty_share: float = 0.01,
    own_forms: bool = False,
    parameters: Parameters = USUAL,
    on_progress: Callable[[int, int], None] | None = None,
) -> None:
    """Write an invented group: `group.toml`, `exports/` and, beside them, `truth/`.

    The same arguments give the same bytes; `synthetic_data.truth` tells what lies in `truth/`.
    `dirty_share` is the share of rows with a planted fault, 0 for clean exports; `months` are the
    monthly batches, the newest ending 2026-10. With `own_forms`, the clinics that have a form of
    their own export in it, and `mappings/` tells what it means; else all export the contract.
    `parameters` are the numbers that the group is invented by.

    Raises:
        WrongUse: an argument is out of its range, or exports lie in the folder already.
    """
    _check(folder, patients, seed, months, dirty_share)
    covered = months_until(LAST_MONTH, months)
    chunks = plan_chunks(patients, seed, covered, parameters)
    folder.mkdir(parents=True, exist_ok=True)
    forget_true_patients(folder / "truth")
    (folder / "group.toml").write_text(group_toml(parameters), encoding="utf-8")
    if own_forms:
        write_mappings(folder / "mappings", parameters)
    ledgers = []
    with ThreadPoolExecutor(WORKERS) as workers:
        jobs = workers.map(
            lambda chunk: write_chunk(folder, chunk, dirty_share, parameters, own_forms), chunks
        )
        for done, ledger in enumerate(jobs, start=1):
            ledgers.append(ledger)
            if on_progress:
                on_progress(done, len(chunks))
    write_truth(folder / "truth", Ledger.together(ledgers), parameters)
    write_expected(folder / "truth", *expected_tables(parameters, covered))


def _share_of_rows(dirty_share: float, kind: str, rows: pl.DataFrame) -> float:
    """A log counts as a few rows: were each sample one, hardly a log would be without a fault."""
    if kind != TEMPERATURES.name or rows.is_empty():
        return dirty_share
    logs = rows.select("session_id", "eye").n_unique()
    return dirty_share * LOG_COUNTS_AS_ROWS * logs / rows.height


def write_chunk(
    folder: Path, chunk: Chunk, dirty_share: float, parameters: Parameters, own_forms: bool
) -> Ledger:
    """Write the exports of a chunk of patients, and what is true of them."""
    simulated = simulate(chunk, parameters)
    books = keep_books(chunk, simulated, parameters)
    rng = chunk.stream(Theme.FAULTS)
    ledgers = []
    for name, rows in books.rows.items():
        target = Target(
            kind=KINDS_BY_NAME[name],
            months=chunk.months,
            full=chunk.site.exports == "full",
            typed=chunk.site.typed,
            share=_share_of_rows(dirty_share, name, rows),
            first_id=chunk.position * ROWS_A_CHUNK + 1,
            own_column=chunk.site.column_of_its_own if name == "visits" and dirty_share else None,
            wide=chunk.site.assesses_in_rows and name == "outcomes",
        )
        spoilt = with_faults(rng, rows, target)
        if target.wide:
            spoilt = with_ids_of_wide_rows(spoilt, rows)
        form = form_of(chunk.site, target.kind, own_forms=own_forms)
        ledgers.append(
            write_rows(folder / "exports", chunk, target, spoilt, books.changed_harms, form)
        )
    write_true_patients(folder / "truth", chunk, simulated, parameters)
    return Ledger.together(ledgers)


def _check(folder: Path, patients: int, seed: int, months: int, dirty_share: float) -> None:
    for name, value, low, high in (
        ("patients", patients, 1, 10_000_000),
        ("seed", seed, 0, 2**63),
        ("months", months, 1, 240),
        ("dirty_share", dirty_share, 0, 0.5),
    ):
        if not low <= value <= high:
            raise WrongUse(f"{name} = {value} is not within {low} to {high}.", "Choose another.")
    exports = folder / "exports"
    if exports.exists() and any(exports.iterdir()):
        raise WrongUse(f"{exports} is not empty.", "Choose another folder, or remove it first.")
