"""Writes what clinics hand over, and counts what each file holds."""

import gzip
from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path

import polars as pl

from ingest.contract import ADVERSE_EVENTS, HARMS, SESSIONS, TEMPERATURES, Reason
from synthetic_data.parameters import InventedSite
from synthetic_data.planting import Bed, Role
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
    exports: Path, chunk: Chunk, bed: Bed, rows: pl.DataFrame, changed_harms: pl.DataFrame
) -> Ledger:
    """Write the rows of one kind, marked by `with_faults`, into the batches that show them."""
    file = f"{bed.kind.name}{chunk.part}.{chunk.site.file_format}"
    columns = [column.name for column in bed.kind.columns]
    files, marked = [], []
    for batch, shown in enumerate(_by_batch(rows, bed)):
        if shown.is_empty() and (chunk.position > 0 or bed.kind is TEMPERATURES):
            continue
        place = (chunk.site.code, chunk.months.names[batch], bed.kind.name, file)
        folder = exports.joinpath(*place[:2])
        folder.mkdir(parents=True, exist_ok=True)
        _write(folder / file, shown.select(columns), chunk.site)
        marks = _marks(shown, place)
        files.append((*place, *_counts(shown.height, marks)))
        marked.append(marks)
    marks = pl.concat([_marks(rows.clear(), ("", "", "", "")), *marked])
    return Ledger(
        pl.DataFrame(files, schema=FILES, orient="row"),
        _faults(marks, bed),
        _refused_harms(marks, bed),
        _changed_harms(changed_harms.filter(kind=bed.kind.name), chunk),
    )


def _marks(shown: pl.DataFrame, place: Place) -> pl.DataFrame:
    """The rows of a file that are not clean, and where they stand."""
    return (
        shown.with_row_index("row", FIRST_DATA_ROW)
        .filter(pl.col("role") != Role.CLEAN)
        .with_columns(pl.lit(text).alias(name) for name, text in zip(PLACE, place, strict=True))
    )


def _by_batch(rows: pl.DataFrame, bed: Bed) -> Iterator[pl.DataFrame]:
    """The rows that each batch shows."""
    if bed.full:
        for batch in range(len(bed.months)):
            yield rows.filter((pl.col("since") <= batch) & (pl.col("until") > batch))
    else:
        new = rows.partition_by("since", as_dict=True, maintain_order=True)
        for batch in range(len(bed.months)):
            yield new.get((batch,), rows.clear())


def _write(path: Path, rows: pl.DataFrame, site: InventedSite) -> None:
    match site.file_format:
        case "parquet":
            rows.write_parquet(path, row_group_size=ROW_GROUP, statistics=False)
        case "csv":
            rows.write_csv(path)
        case "csv.gz":
            with path.open("wb") as file, gzip.GzipFile("", "wb", GZIP_LEVEL, file, 0) as packed:
                packed.write(rows.write_csv().encode())


def _counts(rows: int, marks: pl.DataFrame) -> tuple[int, ...]:
    """Rows of a file: all, accepted, refused, there already, and averaged into another."""
    refused, repeated, averaged = (
        marks.filter(pl.col("role") == role).height
        for role in (Role.REFUSED, Role.REPEATED, Role.AVERAGED)
    )
    return rows, rows - refused - repeated - averaged, refused, repeated, averaged


def _faults(marks: pl.DataFrame, bed: Bed) -> pl.DataFrame:
    """One row per fault, with the column and the reason that ingest should give."""
    told = pl.DataFrame(
        [(n, fault.column, fault.reason.value) for n, fault in enumerate(bed.faults)],
        schema={"fault": pl.Int64, "column_name": pl.String, "reason": pl.String},
        orient="row",
    )
    first = marks.join(told, on="fault", how="left", maintain_order="left").with_columns(
        pl.when(pl.col("role") == Role.AVERAGED)
        .then(pl.lit(Reason.AVERAGED.value))
        .otherwise("reason")
        .alias("reason"),
        pl.when(pl.col("role") == Role.AVERAGED)
        .then(pl.lit(bed.kind.averaged))
        .otherwise("column_name")
        .alias("column_name"),
    )
    second = marks.filter("lacks_date").with_columns(
        column_name=pl.lit(bed.own_date, pl.String), reason=pl.lit(Reason.MISSING.value)
    )
    return pl.concat([first, second], how="diagonal").select(
        *PLACE,
        pl.col("row").cast(pl.Int64),
        pl.col("role").replace_strict(ROLE_NAMES, return_dtype=pl.String),
        "column_name",
        "reason",
        would_have_replaced="replaces",
    )


def _refused_harms(marks: pl.DataFrame, bed: Bed) -> pl.DataFrame:
    """Harms in refused rows, and those at sessions whose code cannot be read."""
    refused = pl.col("role") == Role.REFUSED
    if bed.kind is SESSIONS:
        code = pl.col("adverse_event")
        unreadable = (pl.col("role") == Role.FLAGGED) & ~code.is_in([*HARMS, "none"])
        harms = marks.filter((refused & (code != "none")) | unreadable)
    elif bed.kind is ADVERSE_EVENTS:
        code = pl.col("event")
        harms = marks.filter(refused)
    else:
        code = pl.lit(None, pl.String)
        harms = marks.clear()
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
