"""What one run of ingest found, as frames in a fixed order."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from ingest.batches import Batch, Exports
from ingest.checking import Account
from ingest.contract import KINDS, Kind
from ingest.places import shown_name
from ingest.units import Unit

BATCHES = pl.Schema(
    {
        "site": pl.String(),
        "batch": pl.String(),
        "first_day": pl.Date(),
        "last_day": pl.Date(),
        "position": pl.Int64(),
    }
)
UNIT = {"site": pl.String(), "batch": pl.String(), "kind": pl.String()}
FILES = pl.Schema(
    UNIT
    | {
        "file": pl.String(),
        "bytes": pl.Int64(),
        "rows_read": pl.Int64(),
        "accepted": pl.Int64(),
        "refused": pl.Int64(),
        "exact_repeats": pl.Int64(),
        "forgotten": pl.Int64(),
        "file_refused": pl.Boolean(),
        "file_reason": pl.String(),
        "read_as": pl.String(),
    }
)
REFUSED_REASONS = pl.Schema(
    UNIT
    | {
        "file": pl.String(),
        "column_name": pl.String(),
        "reason": pl.String(),
        "rows": pl.Int64(),
        "would_have_replaced": pl.Int64(),
        "first_rows": pl.String(),  # numbers of the first ten, parted by spaces
    }
)
FLAGGED_VALUES = pl.Schema(
    UNIT
    | {
        "file": pl.String(),
        "column_name": pl.String(),
        "reason": pl.String(),
        "flagged": pl.Int64(),
    }
)
REFUSED_HARMS = pl.Schema(
    UNIT
    | {
        "harm_key": pl.String(),
        "patient_key": pl.String(),
        "session_key": pl.String(),
        "eye": pl.String(),
        "event": pl.String(),
        "event_date": pl.Date(),
        "source_file": pl.String(),
        "source_row": pl.Int64(),
        "severity": pl.String(),  # of an accepted report in a withdrawn batch, as is `serious`
        "serious": pl.Boolean(),
        "withdrawn_last_day": pl.Date(),  # that a withdrawn batch covered; null for others
    }
)
PLACE = ("source_file", "source_row")
NUMBERED = 10  # rows that are named by their numbers
NO_KIND = "unknown"  # of a file that belongs to none


@dataclass(frozen=True)
class IngestReport:
    """All units of a run and what was counted; each frame has one row per what its name says.

    `exact_repeats` counts rows that say nothing new: exact repeats, and samples of a repeated time
    that were averaged into one. `forgotten` counts rows of patients to be forgotten, which were
    dropped. `read_as` says in words how a file was read: its format, encoding and delimiter, or its
    sheet. `would_have_replaced` counts refused rows whose key an earlier batch holds, so that an
    older row stays in force. `refused_harms` also holds every harm that a withdrawn batch told of.
    `passed_over` are files where no export is looked for, `withdrawn` the batches left out, each
    as site/batch.
    """

    as_of: date
    units: tuple[Unit, ...]
    batches: pl.DataFrame
    files: pl.DataFrame
    refused_reasons: pl.DataFrame
    flagged_values: pl.DataFrame
    refused_harms: pl.DataFrame
    passed_over: tuple[Path, ...] = ()
    withdrawn: tuple[str, ...] = ()


def report_of(exports: Exports, units: list[Unit], accounts: list[Account]) -> IngestReport:
    """Put units' accounts together, in order of site, batch, kind and file."""

    def table(part: str, schema: pl.Schema) -> pl.DataFrame:
        records = [
            {"site": unit.site, "batch": unit.batch, "kind": unit.kind} | record
            for unit, account in zip(units, accounts, strict=True)
            for record in account[part]
        ]
        return _frame(records, schema)

    strays = _frame([_stray(batch, shown_name(path)) for batch, path in exports.strays], FILES)
    return IngestReport(
        exports.as_of,
        tuple(units),
        _batches(exports.batches),
        pl.concat([table("files", FILES), strays]).sort("site", "batch", "kind", "file"),
        refused_reasons({(b.site, b.name): b.position for b in exports.batches}, units),
        table("flagged_values", FLAGGED_VALUES),
        pl.concat([table("refused_harms", REFUSED_HARMS), _withdrawn_harms(exports)]),
        exports.passed_over,
        tuple(f"{withdrawal.site}/{withdrawal.batch}" for withdrawal in exports.withdrawn),
    )


def _withdrawn_harms(exports: Exports) -> pl.DataFrame:
    return _frame(
        [
            {
                "site": withdrawal.site,
                "batch": withdrawal.batch,
                "withdrawn_last_day": withdrawal.last_day,
            }
            | harm
            for withdrawal in exports.withdrawn
            for harm in withdrawal.harms
        ],
        REFUSED_HARMS,
    )


def _frame(records: list[dict[str, Any]], schema: pl.Schema) -> pl.DataFrame:
    """Records as a frame; a day comes as ISO text, as an account keeps it."""
    days = [name for name, type_ in schema.items() if type_ == pl.Date]
    as_text = pl.Schema(schema | dict.fromkeys(days, pl.String()))
    return pl.DataFrame(records, schema=as_text).with_columns(pl.col(days).str.to_date())


def _batches(batches: tuple[Batch, ...]) -> pl.DataFrame:
    rows = [(b.site, b.name, b.first_day, b.last_day, b.position) for b in batches]
    return pl.DataFrame(rows, schema=BATCHES, orient="row").sort("site", "position")


def _stray(batch: Batch, name: str) -> dict[str, Any]:
    return {
        "site": batch.site,
        "batch": batch.name,
        "kind": NO_KIND,
        "file": name,
        "bytes": 0,
        "rows_read": 0,
        "accepted": 0,
        "refused": 0,
        "exact_repeats": 0,
        "forgotten": 0,
        "file_refused": True,
        "file_reason": (
            "Its name begins with no kind of export, or does not end in .csv, .csv.gz, .parquet or "
            ".xlsx; "
            f"the kinds are {', '.join(kind.name for kind in KINDS)}."
        ),
        "read_as": None,
    }


def refused_reasons(
    positions: Mapping[tuple[str, str], int], units: Sequence[Unit]
) -> pl.DataFrame:
    """Refused rows of units by file, column and reason; `positions` by site and batch."""
    of_kind = {kind: [unit for unit in units if unit.kind == kind.name] for kind in KINDS}
    counted = [
        _count_reasons(_refused_rows(kind, its_units, positions))
        for kind, its_units in of_kind.items()
        if any(unit.refused for unit in its_units)
    ]
    return pl.concat([pl.DataFrame(schema=REFUSED_REASONS), *counted]).sort(
        "site", "batch", "kind", "file", "column_name", "reason"
    )


def _refused_rows(
    kind: Kind, units: list[Unit], positions: Mapping[tuple[str, str], int]
) -> pl.DataFrame:
    """Refused rows of one kind, and whether an earlier batch holds an accepted row of the key."""
    grain = list(kind.stored_grain)
    rows = pl.concat(
        pl.read_parquet(unit.refused, columns=[*grain, *PLACE, "reasons"]).with_columns(
            site=pl.lit(unit.site),
            batch=pl.lit(unit.batch),
            kind=pl.lit(kind.name),
            position=pl.lit(positions[unit.site, unit.batch]),
        )
        for unit in units
        if unit.refused
    )
    if kind.averaged:  # a newer log replaces the older whole, not sample by sample
        return rows.with_columns(would_have_replaced=pl.lit(False))
    return rows.with_columns(
        would_have_replaced=rows.join(
            _first_held(grain, rows, units, positions),
            on=["site", *grain],
            how="left",
            maintain_order="left",
        )
        .select((pl.col("first_held") < pl.col("position")).fill_null(False))
        .to_series()
    )


def _first_held(
    grain: list[str],
    rows: pl.DataFrame,
    units: list[Unit],
    positions: Mapping[tuple[str, str], int],
) -> pl.DataFrame:
    """For each site and key among `rows`, the first batch that holds an accepted row of it."""
    of_path = pl.DataFrame(
        [(str(unit.accepted), unit.site, positions[unit.site, unit.batch]) for unit in units],
        schema={"path": pl.String, "site": pl.String, "held_in": pl.Int32},
        orient="row",
    )
    return (
        pl.scan_parquet(of_path["path"].to_list(), include_file_paths="path")
        .select("path", *grain)
        .join(rows.lazy().select(grain).unique(), on=grain, how="semi")
        .join(of_path.lazy(), on="path")
        .group_by("site", *grain)
        .agg(first_held=pl.col("held_in").min())
        .collect()
    )


def _count_reasons(rows: pl.DataFrame) -> pl.DataFrame:
    return (
        rows.explode("reasons")
        .unnest("reasons")
        .group_by(
            "site", "batch", "kind", pl.col("source_file").alias("file"), "column_name", "reason"
        )
        .agg(
            rows=pl.len().cast(pl.Int64),
            would_have_replaced=pl.col("would_have_replaced").sum().cast(pl.Int64),
            first_rows=pl.col("source_row").bottom_k(NUMBERED).sort().cast(pl.String).str.join(" "),
        )
        .select(REFUSED_REASONS.names())
    )
