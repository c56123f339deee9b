"""Writes what clinics hand over, and counts what each file holds."""

import gzip
from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
import polars as pl

from ingest.contract import ADVERSE_EVENTS, HARMS, SESSIONS, TEMPERATURES, Reason
from synthetic_data.own_forms import OwnForm, write_workbook
from synthetic_data.planting import MARKS, Role, Target
from synthetic_data.simulation import Chunk

ROW_GROUP = 100_000
FIRST_DATA_ROW = 2  # the header is row 1
GZIP_LEVEL = 1
Place = tuple[str, str, str, str]
PLACE = ("site", "batch", "kind", "file")
COUNTS = ("rows", "accepted", "refused", "exact_repeats", "averaged")
FILES = dict.fromkeys(PLACE, pl.String) | dict.fromkeys(COUNTS, pl.Int64)
ROLE_NAMES = {int(role): role.name.lower() for role in Role}


@dataclass(frozen=True)
class Ledger:
    """What was written.

    `files`: one row per file. `faults`: one row per planted fault, repeat or averaged sample.
    `refused_harms`: one row per harm that stands in a refused row, or cannot be read.
    `changed_harms`: one row per harm that `batch` lowers or withdraws, as it was before.
    """

    files: pl.DataFrame
    faults: pl.DataFrame
    refused_harms: pl.DataFrame
    changed_harms: pl.DataFrame

    @staticmethod
    def together(ledgers: "list[Ledger]") -> "Ledger":
        """All of them as one."""
        return Ledger(
            **{
                table.name: pl.concat(getattr(ledger, table.name) for ledger in ledgers)
                for table in fields(Ledger)
            }
        )


def write_rows(
    exports: Path,
    chunk: Chunk,
    target: Target,
    rows: pl.DataFrame,
    changed_harms: pl.DataFrame,
    form: OwnForm,
) -> Ledger:
    """Write the rows of one kind, marked by `with_faults`, into the batches that show them."""
    file = f"{target.kind.name}{chunk.part}.{form.file_format}"
    files, marked = [], []
    if target.own_column:
        rows = rows.with_columns(pl.lit("r1").alias(target.own_column))
    for batch, shown in enumerate(_by_batch(rows, target)):
        if shown.is_empty() and (chunk.position > 0 or target.kind is TEMPERATURES):
            continue
        place = (chunk.site.code, chunk.months.names[batch], target.kind.name, file)
        folder = exports.joinpath(*place[:2])
        folder.mkdir(parents=True, exist_ok=True)
        placed = shown.with_columns(form.places(shown, FIRST_DATA_ROW))
        _write(folder / file, form.written(placed.drop(MARKS)), form)
        told = _told(placed, place)
        files.append((*place, *_counts(told)))
        marked.append(told if target.own_column else told.filter(pl.col("role") != Role.CLEAN))
    nothing = rows.clear().with_columns(row=pl.lit(0, pl.Int64))
    marks = pl.concat([_told(nothing, ("", "", "", "")), *marked])
    return Ledger(
        pl.DataFrame(files, schema=FILES, orient="row"),
        _faults(marks, target),
        _refused_harms(marks, target),
        _changed_harms(changed_harms.filter(kind=target.kind.name), chunk),
    )


def _told(shown: pl.DataFrame, place: Place) -> pl.DataFrame:
    """The rows of a file, which have their `row`, and whose file it is."""
    return shown.with_columns(
        pl.lit(text).alias(name) for name, text in zip(PLACE, place, strict=True)
    )


def _by_batch(rows: pl.DataFrame, target: Target) -> Iterator[pl.DataFrame]:
    """The rows that each batch shows."""
    if target.full:
        for batch in range(len(target.months)):
            yield rows.filter((pl.col("since") <= batch) & (pl.col("until") > batch))
    else:
        new = rows.partition_by("since", as_dict=True, maintain_order=True)
        for batch in range(len(target.months)):
            yield new.get((batch,), rows.clear())


def _write(path: Path, rows: pl.DataFrame, form: OwnForm) -> None:
    match form.file_format:
        case "parquet":
            rows.write_parquet(path, row_group_size=ROW_GROUP, statistics=False)
        case "csv":
            text = rows.write_csv(separator=form.mapping.delimiter or ",")
            path.write_bytes(text.encode(form.mapping.encoding or "utf-8"))
        case "csv.gz":
            with path.open("wb") as file, gzip.GzipFile("", "wb", GZIP_LEVEL, file, 0) as packed:
                packed.write(rows.write_csv().encode())
        case "xlsx":
            write_workbook(path, rows, form.mapping.sheet)


def _counts(told: pl.DataFrame) -> tuple[int, ...]:
    """Rows of a file: all, accepted, refused, there already, and averaged into another."""
    of_role = np.bincount(told["role"].to_numpy(), minlength=len(Role)).tolist()
    refused, repeated, averaged = (of_role[r] for r in (Role.REFUSED, Role.REPEATED, Role.AVERAGED))
    return told.height, told.height - refused - repeated - averaged, refused, repeated, averaged


def _faults(told: pl.DataFrame, target: Target) -> pl.DataFrame:
    """One row per fault, with the column and the reason that ingest should give."""
    reasons = pl.DataFrame(
        [(n, fault.column, fault.reason.value) for n, fault in enumerate(target.faults)],
        schema={"fault": pl.Int64, "column_name": pl.String, "reason": pl.String},
        orient="row",
    )
    role = pl.col("role")
    planted = told.filter(~role.is_in([Role.CLEAN, Role.AVERAGED]))
    return pl.concat(
        _fault_rows(rows, column_name, reason)
        for rows, column_name, reason in (
            (
                planted.join(reasons, on="fault", how="left", maintain_order="left"),
                pl.col("column_name"),
                pl.col("reason"),
            ),
            (told.filter("lacks_date"), pl.lit(target.own_date), pl.lit(Reason.MISSING.value)),
            (
                told.filter(role == Role.AVERAGED),
                pl.lit(target.kind.averaged),
                pl.lit(Reason.AVERAGED.value),
            ),
            (
                told.with_columns(role=pl.lit(int(Role.FLAGGED)), replaces=False)
                if target.own_column
                else told.clear(),
                pl.lit(target.own_column),
                pl.lit(Reason.UNKNOWN_COLUMN.value),
            ),
        )
    )


def _fault_rows(rows: pl.DataFrame, column_name: pl.Expr, reason: pl.Expr) -> pl.DataFrame:
    return rows.select(
        *PLACE,
        pl.col("row").cast(pl.Int64),
        pl.col("role").cast(pl.Int64).replace_strict(ROLE_NAMES, return_dtype=pl.String),
        column_name.cast(pl.String).alias("column_name"),
        reason.cast(pl.String).alias("reason"),
        would_have_replaced="replaces",
    )


def _refused_harms(told: pl.DataFrame, target: Target) -> pl.DataFrame:
    """Harms in refused rows, and those at sessions whose code cannot be read."""
    refused = pl.col("role") == Role.REFUSED
    if target.kind is SESSIONS:
        code = pl.col("adverse_event")
        unreadable = (pl.col("role") == Role.FLAGGED) & ~code.is_in([*HARMS, "none"])
        harms = told.filter((refused & (code != "none")) | unreadable)
    elif target.kind is ADVERSE_EVENTS:
        code = pl.col("event")
        harms = told.filter(refused)
    else:
        code = pl.lit(None, pl.String)
        harms = told.clear()
    known = pl.when(code.is_in(HARMS)).then(code).otherwise(pl.lit("unknown"))
    return harms.select(
        *PLACE,
        pl.col("row").cast(pl.Int64),
        *(
            pl.col(name) if name in harms.columns else pl.lit(None, pl.String).alias(name)
            for name in ("patient_id", "session_id", "event_id", "eye")
        ),
        known.alias("event"),
    )


def _changed_harms(changed: pl.DataFrame, chunk: Chunk) -> pl.DataFrame:
    batches = pl.Series(chunk.months.names)
    return changed.select(
        pl.lit(chunk.site.code).alias("site"),
        batches.gather(changed["until"]).alias("batch"),
        pl.exclude("until"),
    )
