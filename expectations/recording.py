"""Keeps what the gates found in the warehouse, where the quality page and analysts read it."""

from collections.abc import Sequence

import duckdb
import polars as pl

from expectations.report import GateReport
from pipeline.durable import Step, durable_step
from pipeline.workspace import Release

TABLE = "quality.gate_results"
DESCRIPTION = "One row per gate and declared expectation: how it fared in this release."
COLUMNS: dict[str, tuple[pl.DataType, str]] = {
    "gate": (
        pl.String(),
        "Gate: arrival (over what came in) or built (over what came out). Never null.",
    ),
    "expectation": (pl.String(), "Short name of the expectation. Never null."),
    "description": (pl.String(), "What holds, or what was found where it does not. Never null."),
    "severity": (
        pl.String(),
        "What a failure does: stop (nothing is published) or warn. Never null.",
    ),
    "success": (pl.Boolean(), "Whether it held. Never null."),
    "observed": (pl.String(), "What was seen, in words. Never null."),
    "offending": (
        pl.String(),
        "Up to 20 of the rows that broke it, by key, parted by semicolons. Never null.",
    ),
    "next_step": (pl.String(), "What to do where it did not hold. Never null."),
}


def record(release: Release, reports: Sequence[GateReport]) -> None:
    """Write the table quality.gate_results into a release's warehouse; it replaces an older one."""
    rows = pl.DataFrame(
        [
            {
                **{name: getattr(result, name) for name in COLUMNS},
                "offending": "; ".join(result.offending),
            }
            for report in reports
            for result in report.results
        ],
        schema={name: type_ for name, (type_, _) in COLUMNS.items()},
    )
    durable_step(Step.BUILT_GATE)
    with duckdb.connect(str(release.warehouse)) as warehouse:
        warehouse.execute("create schema if not exists quality")
        warehouse.register("rows", rows)
        warehouse.execute(f"create or replace table {TABLE} as select * from rows")
        warehouse.execute(f"comment on table {TABLE} is '{_quoted(DESCRIPTION)}'")
        for name, (_, description) in COLUMNS.items():
            warehouse.execute(f"comment on column {TABLE}.{name} is '{_quoted(description)}'")


def _quoted(text: str) -> str:
    return text.replace("'", "''")
