"""One chunk of a site's patients, from who they are to the rows their clinic would export."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from ingest.contract import KINDS_BY_NAME, Type
from synthetic_data.courses import Courses, draw_courses
from synthetic_data.months import Months
from synthetic_data.outcomes import Occasions, Values, draw_occasions, measure_all, outcome_rows
from synthetic_data.parameters import InventedSite, Parameters
from synthetic_data.population import Intake, Patients, draw_intake, draw_patients
from synthetic_data.randomness import Theme, stream
from synthetic_data.records import (
    late_harm_rows,
    patient_rows,
    plan_rows,
    treatment_rows,
    visit_rows,
)
from synthetic_data.sessions import session_dates, session_rows
from synthetic_data.versions import in_batches, two_versions

CHUNK_PATIENTS = 25_000
ROWS_A_CHUNK = 10_000_000  # more than a kind has in a chunk; keeps the chunks' ids apart


@dataclass(frozen=True)
class Chunk:
    """Up to CHUNK_PATIENTS patients of one site; `months` are those that the site exported."""

    seed: int
    site: InventedSite
    site_position: int
    position: int
    patients: int
    months: Months

    def stream(self, theme: Theme) -> np.random.Generator:
        """The chunk's random numbers for one theme."""
        return stream(self.seed, self.site_position, self.position, theme)


@dataclass(frozen=True)
class Simulated:
    """What is true of a chunk's patients, and what was measured."""

    patients: Patients
    intake: Intake
    courses: Courses
    occasions: Occasions
    values: Values


def simulate(chunk: Chunk, parameters: Parameters) -> Simulated:
    """Draw a chunk's patients, their courses and their measurements."""
    patients = draw_patients(chunk.stream(Theme.PATIENTS), chunk.patients, chunk.months, parameters)
    rng = chunk.stream(Theme.COURSES)
    intake = draw_intake(rng, patients, parameters)
    courses = draw_courses(rng, patients, intake, chunk.site, parameters)
    rng = chunk.stream(Theme.OUTCOMES)
    occasions = draw_occasions(rng, patients, courses, parameters)
    values = measure_all(rng, patients, courses, occasions, parameters)
    return Simulated(patients, intake, courses, occasions, values)


def exported_rows(
    chunk: Chunk, simulated: Simulated, parameters: Parameters
) -> dict[str, pl.DataFrame]:
    """Rows of every kind but the temperature logs: the contract's columns, `since` and `until`."""
    patients, courses = simulated.patients, simulated.courses
    rng = chunk.stream(Theme.SESSIONS)
    dates = session_dates(courses)
    dates = dates.with_columns(session_id=_ids("s", pl.int_range(dates.height, eager=True), chunk))
    sessions = session_rows(rng, dates, courses, chunk.site, parameters)

    rng = chunk.stream(Theme.RECORDS)
    late = parameters.entered_late
    visits = visit_rows(rng, patients, dates, courses, simulated.occasions, parameters)
    outcomes = outcome_rows(rng, simulated.occasions, simulated.values, parameters)
    treatments = treatment_rows(rng, patients, courses, parameters)

    def numbered(rows: pl.DataFrame, key: str) -> pl.DataFrame:
        return rows.with_columns(
            _ids(key[0], pl.int_range(rows.height, eager=True), chunk).alias(key)
        )

    def versions(pair: tuple[pl.DataFrame, pl.DataFrame], key: str) -> pl.DataFrame:
        first, later = (in_batches(rng, rows, chunk.months) for rows in pair)
        return two_versions(first, later, key)

    plans = versions(plan_rows(rng, patients, simulated.intake, courses, parameters), "plan")
    harms = versions(late_harm_rows(rng, dates, parameters), "harm")
    rows = {
        "visits": in_batches(rng, numbered(visits, "visit_id"), chunk.months, late),
        "sessions": in_batches(rng, sessions, chunk.months),
        "outcomes": in_batches(rng, numbered(outcomes, "outcome_id"), chunk.months, late),
        "patients": versions(patient_rows(rng, patients, courses, parameters), "patient"),
        "plans": plans.with_columns(plan_id=_ids("n", plans["plan"], chunk)),
        "treatments": in_batches(rng, numbered(treatments, "treatment_id"), chunk.months, late),
        "adverse_events": harms.with_columns(event_id=_ids("e", harms["harm"], chunk)),
    }
    return {kind: _in_contract_order(kind, of_kind, chunk) for kind, of_kind in rows.items()}


def _ids(prefix: str, numbers: pl.Series, chunk: Chunk) -> pl.Series:
    """Ids as a clinic would number them; those of two sites overlap."""
    shifted = (numbers + 1 + chunk.position * ROWS_A_CHUNK).cast(pl.String)
    return pl.select(pl.concat_str(pl.lit(prefix), shifted)).to_series()


def _in_contract_order(kind: str, rows: pl.DataFrame, chunk: Chunk) -> pl.DataFrame:
    """The contract's columns with their types, dates from day numbers, null where not given."""
    first = chunk.position * CHUNK_PATIENTS + 1
    rows = rows.with_columns(
        patient_id=pl.concat_str(pl.lit("p"), (pl.col("patient") + first).cast(pl.String))
    )
    return rows.select(
        *(
            (pl.col(column.name) if column.name in rows.columns else pl.lit(None))
            .cast(EXPORTED_AS.get(column.type, pl.String()))
            .alias(column.name)
            for column in KINDS_BY_NAME[kind].columns
        ),
        "since",
        "until",
    )


EXPORTED_AS: dict[Type, pl.DataType] = {
    Type.DATE: pl.Date(),
    Type.INTEGER: pl.Int64(),
    Type.DECIMAL: pl.Float64(),
}
