"""One unit's rows from its files through every check, to accepted and refused rows."""

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from ingest.batches import Export
from ingest.checks import Judge, fault_name, faults, text_name
from ingest.contract import WHOLE_ROW, Column, Kind, Reason, Type
from ingest.gathering import Gathered, ReadFile, gather
from ingest.harms import harm_column, harm_in_line, harms_among
from ingest.keys import Rekeying
from ingest.logs import put_in_logs
from ingest.mapping import KindMapping
from ingest.repeats import (
    REFUSALS,
    average_samples,
    eyes_that_disagree,
    find_repeats,
    repeated_key,
    within,
    without,
)

Account = dict[str, list[dict[str, Any]]]
KEPT_CHARACTERS = 40  # of a refused row's cell


@dataclass(frozen=True)
class Checked:
    """A unit after all checks.

    `accepted` has the kind's stored schema. `refused`, None where no row is, has the keys, the
    other cells' text (at most 40 characters), where the row stood, and `reasons`, a list of
    column_name and reason. `account` holds, as plain values, what was counted per file, and the
    harms that stand in refused rows.
    """

    accepted: pl.LazyFrame
    refused: pl.LazyFrame | None
    account: Account


def check_unit(
    export: Export,
    judge: Judge,
    mapping: KindMapping,
    rekeying: Rekeying,
    scratch: Path | None,
) -> Checked:
    """Read and check every row of a unit, with its rows in memory or in the folder `scratch`."""
    kind = export.kind
    unit = gather(export, judge, mapping, rekeying, scratch)
    repeats = find_repeats(unit.rows, unit.rows_read, kind, unit.collect)
    rows = unit.settled(without(unit.rows, repeats.exact["position"]))

    own = unit.collect(faults(rows, kind))
    refusals = pl.concat(
        [own.filter("refuses").select(REFUSALS.names()), repeated_key(repeats.same_key, kind)]
    )
    standing = without(rows, refusals["position"])
    refusals = refusals.extend(eyes_that_disagree(standing, kind, unit.collect))
    standing = without(rows, refusals["position"])
    kept, merged = average_samples(standing, repeats.same_key, kind, unit.collect)

    accepted = unit.settled(put_in_logs(unit, kept, kind).select(kind.stored_schema.names()))
    refused = _refused(unit, rows, refusals, kind)
    flagged = own.filter(~pl.col("position").is_in(refusals["position"].implode()))
    harms = _harms(export, unit, refused, standing, flagged, rekeying)
    averaged = _by_file(unit, merged)
    return Checked(
        accepted,
        refused,
        {
            "files": _file_accounts(
                unit.files,
                _by_file(unit, accepted),
                _by_file(unit, refused),
                _by_file(unit, repeats.exact) + averaged,
            ),
            "flagged_values": _flagged_values(unit.files, flagged, averaged, kind),
            "refused_harms": harms,
        },
    )


def _refused(
    unit: Gathered, rows: pl.LazyFrame, refusals: pl.DataFrame, kind: Kind
) -> pl.LazyFrame | None:
    """Refused rows as quarantine keeps them, with all their reasons, in their order."""
    if refusals.is_empty() and unit.ragged.is_empty():
        return None
    reasons = refusals.group_by("position", maintain_order=True).agg(
        pl.struct("column_name", pl.col("reason").cast(pl.String)).alias("reasons")
    )
    whole_rows = (
        within(rows, refusals)
        .join(reasons.lazy(), on="position", maintain_order="left")
        .select(*_kept_cells(kind), "reasons")
    )
    lines = _refused_lines(unit.ragged, kind).lazy()
    return unit.settled(pl.concat([whole_rows, lines]).sort("source_file", "source_row"))


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


def _harms(
    export: Export,
    unit: Gathered,
    refused: pl.LazyFrame | None,
    standing: pl.LazyFrame,
    flagged: pl.DataFrame,
    rekeying: Rekeying,
) -> list[dict[str, Any]]:
    """Harms in refused rows, and in rows that stand although their harm could not be read."""
    kind, batch = export.kind, export.batch
    column = harm_column(kind)
    if column is None:
        return []
    emptied = flagged.filter(pl.col("column_name") == column)
    told = []
    if refused is not None:
        told.append(refused.drop("reasons"))
    if emptied.height:
        told.append(within(standing, emptied).select(_kept_cells(kind)))
    if not told:
        return []
    rows = unit.collect(pl.concat(told))
    harms = harms_among(rows, kind, batch.site, batch.name, rekeying)
    return harms.with_columns(pl.col("event_date").cast(pl.String)).to_dicts()


def _by_file(unit: Gathered, rows: pl.LazyFrame | pl.DataFrame | None) -> Counter[str]:
    """Rows counted by the file that each names."""
    if rows is None:
        return Counter()
    return Counter(dict(unit.collect(rows.lazy().group_by("source_file").len()).iter_rows()))


def _file_accounts(
    files: tuple[ReadFile, ...],
    accepted: Counter[str],
    refused: Counter[str],
    repeated: Counter[str],
) -> list[dict[str, Any]]:
    return [
        {
            "file": file.name,
            "bytes": file.bytes,
            "rows_read": file.rows_read,
            "accepted": accepted[file.name],
            "refused": refused[file.name],
            "exact_repeats": repeated[file.name],
            "forgotten": file.forgotten,
            "file_refused": file.refusal is not None,
            "file_reason": file.refusal,
            "read_as": file.read_as,
        }
        for file in files
    ]


def _flagged_values(
    files: tuple[ReadFile, ...], flagged: pl.DataFrame, averaged: Counter[str], kind: Kind
) -> list[dict[str, Any]]:
    """How many values were emptied, kept above their range, averaged, or not read; rows skipped."""
    counts: Counter[tuple[str, str, str]] = Counter()
    emptied_or_above = flagged.group_by("source_file", "column_name", "reason").len()
    for name, column, reason, values in emptied_or_above.iter_rows():
        counts[name, column, reason] = values
    for name, samples in averaged.items():
        counts[name, str(kind.averaged), Reason.AVERAGED.value] = samples
    for file in files:
        counts[file.name, WHOLE_ROW, Reason.SKIPPED.value] += file.skipped
        for column, values in file.unknown_columns.items():
            counts[file.name, column[:KEPT_CHARACTERS], Reason.UNKNOWN_COLUMN.value] += values
    return [
        {"file": name, "column_name": column, "reason": reason, "flagged": count}
        for (name, column, reason), count in sorted(counts.items())
        if count
    ]
