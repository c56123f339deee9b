"""Writes what clinics hand over: one file per site, batch, kind and chunk of patients."""

import gzip
from pathlib import Path

import polars as pl

from synthetic_data.parameters import InventedSite
from synthetic_data.simulation import Chunk

ROW_GROUP = 100_000


def write_rows(exports: Path, chunk: Chunk, chunks: int, kind: str, rows: pl.DataFrame) -> None:
    """Write the rows of one kind into the batches that show them."""
    for batch, name in enumerate(chunk.months.names):
        shown = _shown(rows, batch, chunk.site)
        if shown.height == 0 and chunk.position > 0:
            continue
        part = kind if chunks == 1 else f"{kind}-{chunk.position + 1:04}"
        folder = exports / chunk.site.code / name
        folder.mkdir(parents=True, exist_ok=True)
        _write(folder / f"{part}.{chunk.site.file_format}", shown, chunk.site)


def _shown(rows: pl.DataFrame, batch: int, site: InventedSite) -> pl.DataFrame:
    now = pl.col("since") == batch
    if site.exports == "full":
        now = (pl.col("since") <= batch) & (pl.col("until") > batch)
    return rows.filter(now).drop("since", "until")


def _write(path: Path, rows: pl.DataFrame, site: InventedSite) -> None:
    if site.file_format == "parquet":
        rows.write_parquet(path, row_group_size=ROW_GROUP, statistics=False)
    elif site.file_format == "csv":
        rows.write_csv(path)
    else:
        with path.open("wb") as file, gzip.GzipFile("", "wb", 1, file, mtime=0) as packed:
            rows.write_csv(packed)
