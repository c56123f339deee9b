"""One unit's rows from its files through every check, to accepted and refused rows."""

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from ingest.batches import Export
from ingest.checks import Judge, fault_name, faults, text_name
from ingest.contract import WHOLE_ROW, Column, Kind, Reason, Type
from ingest.harms import harm_column, harm_in_line, harms_among
from ingest.identifiers import screen
from ingest.keys import Rekeying
from ingest.reading import RAGGED, UnusableFileError, cells_schema, read_blocks
from ingest.repeats import (
    REFUSALS,
    average_samples,
    exact_repeats,
    eyes_that_disagree,
    repeated_key,
    rows_of_one_key,
    same_grain,
)

Account = dict[str, list[dict[str, Any]]]
KEPT_CHARACTERS = 40  # of a refused row's cell


@dataclass(frozen=True)
class Checked:
    """A unit after all checks.

    `accepted` has the kind's stored schema. `refused` has the keys, the other cells' text (at most
    40 characters), where the row stood, and `reasons`, a list of column_name and reason. `account`
    holds, as plain values, what was counted per file, and the harms that stand in refused rows.
    """

    accepted: pl.DataFrame
    refused: pl.DataFrame
    account: Account


@dataclass(frozen=True)
class FileRows:
    """One file's rows, judged and re-keyed; none where the file is refused as a whole."""

    name: str
    size: int
    refusal: str | None
    rows_read: int
    rows: pl.DataFrame
    ragged: pl.DataFrame
    unknown_columns: Counter[str]


def check_unit(export: Export, judge: Judge, rekeying: Rekeying) -> Checked:
    """Read and check every row of a unit; reads its files and touches nothing."""
    kind, site, batch = export.kind, export.batch.site, export.batch.name
    files = [read_file(path, judge, site, rekeying) for path in export.files]
    rows = pl.concat(file.rows for file in files).with_row_index("position")
    ragged = pl.concat(file.ragged for file in files)

    suspects = same_grain(rows, kind)
    repeats = exact_repeats(suspects, kind)
    rows, suspects = _without(rows, repeats), _without(suspects, repeats)
    same_key = rows_of_one_key(suspects, kind)

    own = faults(rows, kind)
    refusals = pl.concat(
        [own.filter("refuses").select(REFUSALS.names()), repeated_key(same_key, kind)]
    )
    standing = _without(rows, refusals)
    disagreeing = eyes_that_disagree(standing, kind)
    standing = _without(standing, disagreeing)
    flags = own.join(standing, on="position", how="semi")
    kept, merged = average_samples(standing, same_key, kind)

    accepted = kept.select(kind.stored_schema.names()).cast(kind.stored_schema)
    refused = pl.concat(
        [_refused(rows, pl.concat([refusals, disagreeing]), kind), _refused_lines(ragged, kind)]
    ).sort("source_file", "source_row")
    harms = harms_among(
        pl.concat([refused.drop("reasons"), _emptied_harms(standing, kind)]),
        *(kind, site, batch, rekeying),
    )
    repeated = _by_file(repeats) + _by_file(merged)
    return Checked(
        accepted,
        refused,
        {
            "files": _file_accounts(files, _by_file(accepted), _by_file(refused), repeated),
            "flagged_values": _flagged_values(files, flags, merged, kind),
            "refused_harms": _plain(harms),
        },
    )


def read_file(path: Path, judge: Judge, site: str, rekeying: Rekeying) -> FileRows:
    """Read one file, judge its rows and re-key them; a refused file gives no row at all."""
    kind = judge.kind
    size = path.stat().st_size
    rows, ragged, rows_read = [], [], 0
    unknown_columns: Counter[str] = Counter()
    try:
        for block in read_blocks(path, kind):
            screen(block, kind)
            rows.append(_rekeyed(judge.judge(block.rows), kind, site, rekeying))
            ragged.append(block.ragged)
            rows_read += block.rows.height + block.ragged.height
            unknown_columns.update(
                {name: values.len() - values.null_count() for name, values in block.others.items()}
            )
    except UnusableFileError as refusal:
        nothing = judge.judge(pl.DataFrame(schema=cells_schema(kind)))
        return FileRows(
            path.name,
            size,
            str(refusal),
            0,
            _named(nothing, path),
            _named(pl.DataFrame(schema=RAGGED), path),
            Counter(),
        )
    return FileRows(
        path.name,
        size,
        None,
        rows_read,
        _named(pl.concat(rows), path),
        _named(pl.concat(ragged), path),
        unknown_columns,
    )


def _rekeyed(rows: pl.DataFrame, kind: Kind, site: str, rekeying: Rekeying) -> pl.DataFrame:
    return rows.with_columns(
        rekeying.keys(rows[key.stored_name], site, key.entity).alias(key.stored_name)
        for key in kind.keys
    ).drop(text_name(key) for key in kind.keys)


def _named(rows: pl.DataFrame, path: Path) -> pl.DataFrame:
    return rows.with_columns(source_file=pl.lit(path.name))


def _without(rows: pl.DataFrame, left_out: pl.DataFrame) -> pl.DataFrame:
    """Rows whose position is not among those of another frame."""
    if left_out.is_empty():
        return rows
    return rows.filter(~pl.col("position").is_in(left_out["position"].unique().implode()))


def _refused(rows: pl.DataFrame, refusals: pl.DataFrame, kind: Kind) -> pl.DataFrame:
    """Refused rows as quarantine keeps them, with all their reasons."""
    reasons = refusals.group_by("position", maintain_order=True).agg(
        pl.struct("column_name", pl.col("reason").cast(pl.String)).alias("reasons")
    )
    return rows.join(reasons, on="position", maintain_order="left").select(
        *_kept_cells(kind), "reasons"
    )


def _kept_cells(kind: Kind) -> list[pl.Expr]:
    """What is kept of a refused row: its keys, its other cells' text, and where it stood."""
    return [*(_kept_cell(column) for column in kind.columns), pl.col("source_file", "source_row")]


def _kept_cell(column: Column) -> pl.Expr:
    """A cell's text; none where a clinic's code should be and is not, as it may be a name."""
    if column.type is Type.KEY:
        return pl.col(column.stored_name)
    text = pl.col(text_name(column))
    if column.type is Type.CLINIC_CODE:
        text = pl.when(pl.col(fault_name(column)).is_null()).then(text)
    return text.str.head(KEPT_CHARACTERS).alias(column.name)


def _refused_lines(ragged: pl.DataFrame, kind: Kind) -> pl.DataFrame:
    """Rows whose cells can't be told apart: of their text only a harm's code is kept."""
    reason = pl.struct(
        pl.lit(WHOLE_ROW).alias("column_name"), pl.lit(Reason.UNREADABLE.value).alias("reason")
    )
    harm = harm_column(kind)
    return ragged.select(
        *(
            (
                harm_in_line(pl.col("line")) if column.name == harm else pl.lit(None, pl.String)
            ).alias(column.stored_name)
            for column in kind.columns
        ),
        "source_file",
        "source_row",
        pl.concat_list(reason).alias("reasons"),
    )


def _emptied_harms(standing: pl.DataFrame, kind: Kind) -> pl.DataFrame:
    """Rows that stand although their harm's code is none and was emptied."""
    harm = harm_column(kind)
    if harm is None:
        return standing.clear().select(_kept_cells(kind))
    emptied = pl.col(fault_name(kind.column(harm))).is_not_null()
    return standing.filter(emptied).select(_kept_cells(kind))


def _by_file(rows: pl.DataFrame) -> Counter[str]:
    return Counter(dict(rows.group_by("source_file").len().iter_rows()))


def _file_accounts(
    files: list[FileRows], accepted: Counter[str], refused: Counter[str], repeated: Counter[str]
) -> list[dict[str, Any]]:
    return [
        {
            "file": file.name,
            "bytes": file.size,
            "rows_read": file.rows_read,
            "accepted": accepted[file.name],
            "refused": refused[file.name],
            "exact_repeats": repeated[file.name],
            "file_refused": file.refusal is not None,
            "file_reason": file.refusal,
        }
        for file in files
    ]


def _flagged_values(
    files: list[FileRows], flags: pl.DataFrame, merged: pl.DataFrame, kind: Kind
) -> list[dict[str, Any]]:
    """How many values were emptied, kept above their range, averaged, or not read."""
    counts: Counter[tuple[str, str, str]] = Counter(
        {
            (file, column, reason): count
            for file, column, reason, count in flags.group_by(
                "source_file", "column_name", "reason"
            )
            .len()
            .iter_rows()
        }
    )
    for name, count in _by_file(merged).items():
        counts[name, str(kind.averaged), Reason.AVERAGED.value] = count
    for file in files:
        for column, count in file.unknown_columns.items():
            counts[file.name, column[:KEPT_CHARACTERS], Reason.UNKNOWN_COLUMN.value] += count
    return [
        {"file": file, "column_name": column, "reason": reason, "flagged": count}
        for (file, column, reason), count in sorted(counts.items())
    ]


def _plain(harms: pl.DataFrame) -> list[dict[str, Any]]:
    return harms.with_columns(pl.col("event_date").cast(pl.String)).to_dicts()
