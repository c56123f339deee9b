"""What pages are made from: the release's tables, its settings, and the group's own labels."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from functools import cached_property

from dashboards import words
from dashboards.hidden_counts import Mark
from dashboards.shared_tables import TOTAL, SharedTables
from dashboards.warehouse import Row, Tables, Warehouse
from pipeline.settings import Settings

HEADLINE_SHARE = 0.6  # measured of those to whom the rule applies (definition 16)
HEADLINE_TOLD = f"{words.in_100(HEADLINE_SHARE)} in 100"


@dataclass(frozen=True)
class Clinic:
    """One site of group.toml; `cutoff` is None before its first export."""

    code: str
    label: str
    exports: str
    cutoff: date | None

    @property
    def folder(self) -> str:
        return f"clinics/{self.code}/"


@dataclass(frozen=True)
class Source:
    """`full` is for a clinic's own pages, `shared` for whatever leaves it."""

    settings: Settings
    as_of: date
    full: Warehouse
    shared: SharedTables

    @property
    def below(self) -> int:
        return self.settings.privacy.hide_counts_below

    @cached_property
    def clinics(self) -> tuple[Clinic, ...]:
        rows = sorted(self.full.find("staging.stg_sites"), key=lambda row: row["position"])
        return tuple(
            Clinic(row["site"], row["label"] or row["site"], row["exports"], row["cutoff"])
            for row in rows
        )

    @property
    def clinics_with_data(self) -> Iterator[Clinic]:
        return (clinic for clinic in self.clinics if self.months(clinic))

    def months(self, clinic: Clinic) -> list[str]:
        return [row["month"] for row in self.full.find("month_summary", site=clinic.code)]

    @cached_property
    def protocols(self) -> dict[str, str]:
        """Labels by code, in the order of group.toml."""
        return {p.code: p.label or p.code for p in self.settings.protocol}

    @cached_property
    def rules(self) -> list[Row]:
        return sorted(self.full.find("seeds.response_rules"), key=lambda row: row["position"])

    def count(self, value: words.Number) -> str:
        return words.count(value, self.below)

    def told(self, value: words.Number) -> str:
        """A count within a sentence: `none`, `12`, `fewer than 11`."""
        return words.none_or(value, self.below)

    def many(self, value: words.Number, one: str, several: str | None = None) -> str:
        return words.many(value, one, self.below, several)

    def ranked_grades(self, grading: str, rows: list[Row]) -> list[Row]:
        """Rows by grade from mild to severe, what is not known and the total last."""
        order = list(words.GRADES[grading])
        return sorted(rows, key=lambda row: order.index(row["grade"]))

    def measured_enough(self, **where: object) -> bool:
        """Whether a rate of response_by_grade may be a headline (definition 16)."""
        [row] = self.full.find("response_by_grade", **where)
        applicable = row["courses"] - row["not_applicable"]
        return bool(row["evaluable"] >= HEADLINE_SHARE * applicable)


def drawn(value: words.Number, scale: float = 1) -> float | None:
    """A number for a chart: null and hidden numbers are not drawn."""
    return None if value is None or isinstance(value, Mark) else round(value * scale, 2)


def totals(**where: str) -> dict[str, str]:
    """A place in a table whose other breakdowns are totalled."""
    return {"site": TOTAL, "protocol": TOTAL, "course_kind": TOTAL} | where


__all__ = ["Clinic", "Source", "Tables", "drawn", "totals"]
