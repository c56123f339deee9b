"""The schema `labelled`: each cohort table as a view in the words of pages, to be read as it is.

So is what comes of a group's own definitions, where it has any.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import duckdb
import polars as pl

from dashboards import words
from dashboards.warehouse import COHORTS
from models.descriptions import one_line, unit
from models.docs import BY_DEFINITION
from pipeline.durable import Step, durable_step
from pipeline.workspace import Release

SCHEMA = "labelled"
BY_SYMPTOMS = "'symptoms'"  # where a table has no column `grading`
WORDS: Mapping[str, Mapping[Any, str]] = {
    "rule": words.RULES,
    "grading": words.GRADINGS,
    "estimand": words.ESTIMANDS,
    "event": words.EVENTS,
    "severity": words.SEVERITIES | {"all": "any severity"},
    "unit": words.UNITS,
    "step": words.WAITS,
    "patient_status": words.PATIENT_STATUSES,
    "planned_end_reason": words.END_REASONS,
    "course_kind": words.COURSE_KINDS,
    "period": words.PERIODS,
    "dose_quarter": words.QUARTERS,
}
NOT_IN_HEADINGS = ("code", "no unit", "number from 1 to 4")
SHARE = re.compile(r"\bshare(?: from (-?)[01] to 1)?(?=[;.,])", re.IGNORECASE)
CODE = re.compile(r"\bCode(?=[;.])")
WRITTEN = {"cem43": "CEM43", "mh": "Mantel-Haenszel", "se": "standard error", "p": "P"}


@dataclass(frozen=True)
class _Column:
    """A cohort table's column, by its name and what is said of it."""

    name: str
    said: str

    @property
    def unit(self) -> str:
        return unit(self.said) or ""

    @property
    def is_share(self) -> bool:
        return self.unit.startswith("share")

    @property
    def heading(self) -> str:
        """The name in words, with the unit where the name does not tell it."""
        plain = " ".join(WRITTEN.get(part, part) for part in self.name.split("_"))
        told = "%" if self.is_share else self.unit.split(",")[0]
        is_told = told.rstrip("s").replace("-", " ") in plain
        return words.capital(plain if is_told or told in NOT_IN_HEADINGS else f"{plain}, {told}")

    @property
    def said_here(self) -> str:
        return SHARE.sub("Percent", CODE.sub("In words", self.said))


def label(release: Release) -> None:
    """Write the views into a release's warehouse; they replace older ones."""
    durable_step(Step.CATALOG)
    with duckdb.connect(str(release.warehouse)) as warehouse:
        warehouse.begin()
        warehouse.execute(f"create schema if not exists {SCHEMA}")
        all_words = {**WORDS, **_own_words(release), **_defined_words(release)}
        for schema, table, comment in _tables(warehouse):
            _write_view(warehouse, schema, table, comment, all_words)
        warehouse.commit()


def _own_words(release: Release) -> dict[str, Mapping[Any, str]]:
    """The group's own names of its clinics and protocols."""
    settings = release.settings
    clinics = {site.code: site.label or site.code for site in settings.site}
    protocols = {one.code: one.label or one.code for one in settings.protocol}
    return {
        "site": {**clinics, "all": "all clinics"},
        "protocol": {**protocols, "all": "all protocols"},
        "reference_protocol": protocols,
    }


def _defined_words(release: Release) -> dict[str, Mapping[Any, str]]:
    """What the group calls the rules and cohorts that it defined."""
    if not release.definitions.is_dir():
        return {}
    rules, cohorts = (
        pl.read_parquet(release.definitions / f"{table}.parquet").select(code, "title").rows()
        for table, code in (("rules", "rule"), ("cohorts", "cohort"))
    )
    return {
        "rule": {**words.RULES, **dict(rules)},
        "cohort": {**dict(cohorts), "all": "all courses"},
    }


def _tables(warehouse: duckdb.DuckDBPyConnection) -> list[tuple[str, str, str]]:
    return warehouse.execute(
        "select schema_name, table_name, comment from duckdb_tables() "
        "where schema_name = $1 or schema_name = 'defined' and list_contains($2, table_name) "
        "order by all",
        [COHORTS, BY_DEFINITION],
    ).fetchall()


def _columns(warehouse: duckdb.DuckDBPyConnection, schema: str, table: str) -> list[_Column]:
    found = warehouse.execute(
        "select column_name, comment from duckdb_columns() "
        "where schema_name = $1 and table_name = $2 order by column_index",
        [schema, table],
    ).fetchall()
    return [_Column(name, one_line(comment)) for name, comment in found]


def _write_view(
    warehouse: duckdb.DuckDBPyConnection,
    schema: str,
    table: str,
    comment: str,
    all_words: Mapping[str, Mapping[Any, str]],
) -> None:
    columns = _columns(warehouse, schema, table)
    grading = "grading" if any(one.name == "grading" for one in columns) else BY_SYMPTOMS
    selected = ", ".join(
        f"{_value(one, grading, all_words)} as {_named(one.heading)}" for one in columns
    )
    view = f"{SCHEMA}.{table}"
    warehouse.execute(f"create or replace view {view} as select {selected} from {schema}.{table}")
    said = f"{one_line(comment)} Codes are in words here, shares in percent."
    warehouse.execute(f"comment on view {view} is {_quoted(said)}")
    for one in columns:
        place = f"{view}.{_named(one.heading)}"
        warehouse.execute(f"comment on column {place} is {_quoted(one.said_here)}")


def _value(column: _Column, grading: str, all_words: Mapping[str, Mapping[Any, str]]) -> str:
    """What a view selects of its table's column."""
    if column.name == "grade":
        cases = (
            f"when {_quoted(by)} then {_case('grade', grades)}"
            for by, grades in words.GRADES.items()
        )
        return f"case {grading} {' '.join(cases)} end"
    if column.name in all_words:
        return _case(column.name, all_words[column.name])
    if column.unit == "code":
        return _case(column.name, {})
    return f"100 * {column.name}" if column.is_share else column.name


def _case(column: str, in_words: Mapping[Any, str]) -> str:
    """A code in words; one without words as it is, underscores aside."""
    plain = f"replace(cast({column} as varchar), '_', ' ')"
    cases = " ".join(
        f"when {_quoted(code) if isinstance(code, str) else code} then {_quoted(word)}"
        for code, word in in_words.items()
    )
    return f"case {column} {cases} else {plain} end" if cases else plain


def _named(heading: str) -> str:
    return '"' + heading.replace('"', '""') + '"'


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
