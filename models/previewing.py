"""What a definition would select in a release, by the very SQL that its models would run."""

from collections.abc import Mapping
from dataclasses import dataclass

import duckdb

from models.build import run_dbt
from models.definitions import Cohort, Definition, frames
from models.render import render
from pipeline.workspace import Release

COHORT_SQL = "{{ courses_of_cohorts('cohort_conditions') }}"
RULE_SQL = (
    "{{ judged_by('rules', band_threshold('baselines.value', 'bands'), bands='rule_bands') }}"
)
COUNTS = (
    "count(*), count(*) filter (where is_mature), count(distinct patient_key), count(distinct site)"
)


@dataclass(frozen=True)
class Preview:
    """Courses, or of a rule of an eye the eyes, and by each rule how many could be judged.

    A rule selects those to whose baseline it applies.
    """

    unit: str
    evaluable: Mapping[str, int]
    selected: int
    mature: int
    patients: int
    clinics: int


def preview(release: Release, name: str, definition: Definition) -> Preview:
    """What a definition selects in a complete release; nothing is written.

    Raises:
        BuildFailed: dbt could not compile it.
        duckdb.Error: the warehouse cannot be read.
    """
    select, count = (
        (COHORT_SQL, _of_cohort) if isinstance(definition, Cohort) else (RULE_SQL, _of_rule)
    )
    compiled = run_dbt(release, "compile", "--no-introspect", "--inline", select)
    with duckdb.connect(str(release.warehouse), read_only=True) as warehouse:
        for table, frame in frames({name: definition}).items():
            warehouse.register(table, frame)
        warehouse.execute(f"create temp table selected as {compiled.nodes[0].sql}")
        return count(warehouse)


def _of_cohort(warehouse: duckdb.DuckDBPyConnection) -> Preview:
    is_in = "course_id in (select course_id from selected)"
    [counts] = warehouse.sql(f"select {COUNTS} from courses.courses where {is_in}").fetchall()
    return Preview("course", _evaluable(warehouse, f"courses.responses where {is_in}"), *counts)


def _of_rule(warehouse: duckdb.DuckDBPyConnection) -> Preview:
    applies = "selected where threshold is not null"
    [counts] = warehouse.sql(f"select {COUNTS} from {applies}").fetchall()
    [(unit,)] = warehouse.sql("select unit from rules").fetchall()
    return Preview(unit, _evaluable(warehouse, applies), *counts)


def _evaluable(warehouse: duckdb.DuckDBPyConnection, responses: str) -> dict[str, int]:
    is_evaluable = f"is_mature and outcome in {render('{{ evaluable_outcomes() }}')}"
    found = warehouse.sql(
        f"select rule, count(*) filter (where {is_evaluable}) from {responses} "
        "group by rule order by rule"
    ).fetchall()
    return dict(found)
