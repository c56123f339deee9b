"""Outcomes in a clinic's own form, and the time that taking them in takes."""

from collections.abc import Iterator
from itertools import product
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from ingest import ingest
from pipeline.settings import Protocol, Settings, Site
from pipeline.workspace import Workspace
from tests.benchmarks.timed import Times, timed

SITES = ("alder", "birch", "cedar", "dogwood", "elm")
MONTHS = [f"{year}-{month:02}" for year in (2024, 2025) for month in range(1, 13)]
SECRET = b"an invented key of enough length"
MEASURES = {"OSDI": "osdi", "Aufrisszeit": "break_up_time", "Sekretion": "gland_secretion"}
MAPPING = """
delimiter = ";"
decimal = ","
dates = "dd.mm.yyyy"

[outcomes]
columns.outcome_id = "Befund"
columns.patient_id = "Patient"
columns.assessed_date = "Datum"
columns.eye = "Auge"
columns.measure = "Messgröße"
columns.value = "Wert"
codes.eye = { rechts = "right", links = "left", beide = "both" }
codes.measure = { OSDI = "osdi", Aufrisszeit = "break_up_time", Sekretion = "gland_secretion" }
"""


def mapped_times(root: Path, rows: int) -> Iterator[Times]:
    """Of a bare count, and of ingest, over the same rows in 120 files of five clinics."""
    batches = list(product(SITES, MONTHS))
    for number, (site, month) in enumerate(batches):
        write_outcomes(root, site, month, [rows // len(batches)], first=number * 1_000_000)
    yield bare_count(root)
    yield ingest_time(root, "ingest with mappings (<= 8)")


def small_file_times(root: Path, rows: int, files: int) -> Iterator[Times]:
    """Of ingest, over the same rows as one file and as many, each in a workspace of its own."""
    for name, lengths in {"one file": [rows], f"{files} files": [rows // files] * files}.items():
        place = root / name.replace(" ", "_")
        write_outcomes(place, SITES[0], MONTHS[0], lengths, first=0)
        yield ingest_time(place, f"ingest of {rows:,} rows in {name}")


def bare_count(root: Path) -> Times:
    files = [str(file) for file in root.glob("exports/*/*/outcomes*.csv")]
    with duckdb.connect() as connection:
        connection.sql("set enable_progress_bar = false")
        count = "select count(*) from read_csv(?, all_varchar = true)"
        return timed("bare count of the rows", lambda: connection.execute(count, [files]))


def ingest_time(root: Path, what: str) -> Times:
    settings = Settings(
        site=tuple(Site(code=code) for code in SITES),
        protocol=(Protocol(code="four_fortnightly", sessions_planned=4),),
    )
    workspace = Workspace(root, settings, SECRET)
    return timed(what, lambda: ingest(workspace))


def write_outcomes(root: Path, site: str, month: str, lengths: list[int], first: int) -> None:
    """A batch of outcomes in files of so many rows, and the clinic's mapping."""
    mapping = root / "mappings" / f"{site}.toml"
    mapping.parent.mkdir(parents=True, exist_ok=True)
    mapping.write_text(MAPPING, encoding="utf-8")
    folder = root / "exports" / site / month
    folder.mkdir(parents=True)
    rows = _outcomes(sum(lengths), month, first, np.random.default_rng(first))
    ends = np.cumsum(lengths)
    for number, (length, end) in enumerate(zip(lengths, ends, strict=True)):
        part = rows.slice(int(end) - length, length)
        part.write_csv(folder / f"outcomes_{number:04}.csv", separator=";")


def _outcomes(count: int, month: str, first: int, rng: np.random.Generator) -> pl.DataFrame:
    """Outcomes of one month, about three to a patient, all sound."""
    measures = rng.integers(0, 3, count)
    right = rng.random(count) < 0.5
    eyes = np.where(measures == 0, "beide", np.where(right, "rechts", "links"))
    year, number = month.split("-")
    days = pl.Series(rng.integers(1, 29, count)).cast(pl.String).str.zfill(2)
    return pl.DataFrame(
        {
            "Befund": "B" + pl.Series(np.arange(first, first + count)).cast(pl.String),
            "Patient": pl.Series(rng.integers(0, max(1, count // 3), count)).cast(pl.String),
            "Datum": days + f".{number}.{year}",
            "Auge": eyes,
            "Messgröße": np.array(list(MEASURES))[measures],
            "Wert": pl.Series(rng.integers(0, 280, count) / 10)
            .cast(pl.String)
            .str.replace(".", ",", literal=True),
        }
    )
