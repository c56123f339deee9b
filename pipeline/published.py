"""What people read before: the month figures of a release, for the next one to be held against."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

FIGURES_TABLE = "quality.month_figures"
RELEASES = pl.Schema({"release": pl.String()})
UNITS = pl.Schema(dict.fromkeys(("site", "batch", "kind", "digest"), pl.String()))
MONTH_FIGURES = pl.Schema(
    {
        "site": pl.String(),
        "month": pl.String(),
        "last_day": pl.Date(),
        "figure": pl.String(),
        "value": pl.Decimal(18, 6),
    }
)


@dataclass(frozen=True)
class Published:
    """A release as the next one sees it: its name, what it read, and what it said of each month."""

    releases: pl.DataFrame = field(default_factory=RELEASES.to_frame)
    units: pl.DataFrame = field(default_factory=UNITS.to_frame)
    month_figures: pl.DataFrame = field(default_factory=MONTH_FIGURES.to_frame)

    @property
    def frames(self) -> dict[str, pl.DataFrame]:
        return {
            "releases": self.releases,
            "units": self.units,
            "month_figures": self.month_figures,
        }


def published_by(root: Path, manifest: Mapping[str, Any]) -> Published:
    """What a complete release says; no figures where it is older than the table that keeps them.

    Raises:
        duckdb.Error: its warehouse cannot be read.
    """
    return Published(
        pl.DataFrame({"release": [root.name]}, RELEASES),
        units_frame(manifest["units"]),
        _month_figures(root / "warehouse.duckdb"),
    )


def taken_in(inputs: Path) -> Published:
    """What a release was held against; nothing where it is older than such inputs."""
    folder = inputs / "published"
    if not folder.is_dir():
        return Published()
    return Published(*(pl.read_parquet(folder / f"{name}.parquet") for name in Published().frames))


def units_frame(units: Sequence[Mapping[str, str]]) -> pl.DataFrame:
    """Units as a manifest lists them, as a table."""
    return pl.DataFrame(list(units), schema=UNITS)


def _month_figures(warehouse: Path) -> pl.DataFrame:
    with duckdb.connect(str(warehouse), read_only=True) as connection:
        tables = connection.sql(
            "select table_schema || '.' || table_name from information_schema.tables"
        ).fetchall()
        if (FIGURES_TABLE,) not in tables:
            return MONTH_FIGURES.to_frame()
        found: pl.DataFrame = connection.sql(f"select * from {FIGURES_TABLE} order by all").pl()
    return found.select(MONTH_FIGURES.names()).cast(MONTH_FIGURES)
