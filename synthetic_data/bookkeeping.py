"""What a clinic enters, and what it later corrects, lowers or withdraws.

Everything here ends as it was simulated: a correction puts right what was entered wrong, and a
row that is withdrawn was entered in error. Only harms are lowered for good.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from ingest.contract import HARMS, KINDS_BY_NAME, SEVERITIES, Kind, Type
from synthetic_data.outcomes import outcome_rows
from synthetic_data.parameters import Parameters
from synthetic_data.planting import Role
from synthetic_data.randomness import Theme, happens
from synthetic_data.records import (
    late_harm_rows,
    patient_rows,
    plan_rows,
    treatment_rows,
    visit_rows,
)
from synthetic_data.sessions import session_dates, session_rows
from synthetic_data.simulation import Chunk, Simulated
from synthetic_data.temperatures import temperature_rows
from synthetic_data.versions import ALWAYS, changed_later, in_batches, two_versions, withdrawn_later

ROWS_A_CHUNK = 10_000_000  # more than a kind has in a chunk; keeps the chunks' ids apart
EXPORTED_AS: dict[Type, pl.DataType] = {
    Type.DATE: pl.Date(),
    Type.INTEGER: pl.Int64(),
    Type.DECIMAL: pl.Float64(),
}
MISREAD = pl.when(pl.col("value") >= 1).then(pl.col("value") - 1).otherwise(pl.col("value") + 1)
CAN_BE_MISREAD = pl.col("measure") != "osmolarity"  # a point less could leave its range
ENTERED_WRONG = {  # by kind: the wrong value, and where it can be
    "visits": (pl.lit("other").alias("diagnosis"), ALWAYS),
    "sessions": (pl.lit(0.0).alias("pain_0_10"), ALWAYS),
    "outcomes": (MISREAD.round(1).alias("value"), CAN_BE_MISREAD),
}
HARM_COLUMN = {"sessions": "adverse_event", "adverse_events": "event"}
HARM_LOWERED = {  # by kind: the lower value, and where it is one
    "sessions": (pl.lit("none").alias("adverse_event"), pl.col("adverse_event").is_in(HARMS)),
    "adverse_events": (
        pl.lit(SEVERITIES[0]).alias("severity"),
        pl.col("severity") != SEVERITIES[0],
    ),
}


@dataclass(frozen=True)
class Books:
    """Rows of every kind: the contract's columns, `since`, `until` and `role`.

    `changed_harms` lists rows whose harm the batch `until` lowers or withdraws (`how`), with
    `kind`, `session_id`, `event_id`, `eye` and `event`.
    """

    rows: dict[str, pl.DataFrame]
    changed_harms: pl.DataFrame


def keep_books(chunk: Chunk, simulated: Simulated, parameters: Parameters) -> Books:
    """Everything that a clinic's exports show of a chunk's patients."""
    rng = chunk.stream(Theme.VERSIONS)
    rows = _entered(chunk, simulated, parameters)
    changed = []
    for kind, (wrong, where) in ENTERED_WRONG.items():
        rows[kind], _ = changed_later(
            rng, rows[kind], chunk.months, parameters.corrected, where=where, first=(wrong,)
        )
    for kind, (less, where) in HARM_LOWERED.items():
        rows[kind], before = changed_later(
            rng, rows[kind], chunk.months, parameters.harm_lowered, where=where, later=(less,)
        )
        changed.append(_changed_harms(before, kind, "lowered"))
    if chunk.site.exports == "full":
        for kind in ENTERED_WRONG:
            in_error = _entered_in_error(rng, rows[kind], kind, chunk, parameters)
            rows[kind] = pl.concat([rows[kind], in_error])
            changed.append(_changed_harms(in_error, kind, "withdrawn"))
        rows["adverse_events"], gone = withdrawn_later(
            rng, rows["adverse_events"], chunk.months, parameters.harm_withdrawn
        )
        changed.append(_changed_harms(gone, "adverse_events", "withdrawn"))
    return Books(rows, pl.concat(changed))


def _entered_in_error(
    rng: np.random.Generator, rows: pl.DataFrame, kind: str, chunk: Chunk, parameters: Parameters
) -> pl.DataFrame:
    """Copies of rows under ids of their own, which vanish again; of harm more often than others."""
    harmed = _harmed(rows, kind)
    chance = np.where(harmed.to_numpy(), parameters.harm_withdrawn, parameters.withdrawn)
    copies = rows.filter(pl.Series(happens(rng, chance, rows.height)))
    key = KINDS_BY_NAME[kind].grain[0]
    ids = _ids(f"{key[0]}w", pl.int_range(copies.height, eager=True), chunk)
    _, vanishing = withdrawn_later(rng, copies.with_columns(ids.alias(key)), chunk.months, 1.0)
    return vanishing


def _harmed(rows: pl.DataFrame, kind: str) -> pl.Series:
    """Whether each row tells of a harm."""
    column = HARM_COLUMN.get(kind)
    if column is None:
        return pl.repeat(value=False, n=rows.height, eager=True)
    return rows[column].is_in(HARMS).fill_null(value=False)


def _changed_harms(rows: pl.DataFrame, kind: str, how: str) -> pl.DataFrame:
    """The harms among rows as they were before `until` changed them."""
    told = {
        "session_id": "session_id",
        "event_id": "event_id",
        "eye": "eye",
        "event": HARM_COLUMN.get(kind),
    }
    return rows.filter(_harmed(rows, kind)).select(
        pl.lit(kind).alias("kind"),
        pl.lit(how).alias("how"),
        "until",
        *(
            (pl.col(column) if column in rows.columns else pl.lit(None, pl.String)).alias(name)
            for name, column in told.items()
        ),
    )


def _entered(chunk: Chunk, simulated: Simulated, parameters: Parameters) -> dict[str, pl.DataFrame]:
    """Rows of every kind as entered, before any correction."""
    patients, courses = simulated.patients, simulated.courses
    rng = chunk.stream(Theme.SESSIONS)
    dates = session_dates(courses)
    dates = dates.with_columns(session_id=_ids("s", pl.int_range(dates.height, eager=True), chunk))
    sessions = session_rows(rng, dates, courses, chunk.site, parameters)

    rng = chunk.stream(Theme.RECORDS)
    visits = visit_rows(rng, patients, dates, courses, simulated.occasions, parameters)
    outcomes = outcome_rows(rng, simulated.occasions, simulated.values, parameters)
    treatments = treatment_rows(rng, patients, courses, parameters)

    def once(rows: pl.DataFrame, key: str) -> pl.DataFrame:
        ids = _ids(key[0], pl.int_range(rows.height, eager=True), chunk)
        return in_batches(
            rng, rows.with_columns(ids.alias(key)), chunk.months, parameters.entered_late
        )

    def twice(pair: tuple[pl.DataFrame, pl.DataFrame], number: str) -> pl.DataFrame:
        first, later = (in_batches(rng, rows, chunk.months) for rows in pair)
        return two_versions(first, later, number)

    plans = twice(plan_rows(rng, patients, simulated.intake, courses, parameters), "plan")
    harms = twice(late_harm_rows(rng, dates, parameters), "harm")
    rows = {
        "visits": once(visits, "visit_id"),
        "sessions": in_batches(rng, sessions, chunk.months),
        "outcomes": once(outcomes, "outcome_id"),
        "patients": twice(patient_rows(rng, patients, courses, parameters), "patient"),
        "plans": plans.with_columns(plan_id=_ids("n", plans["plan"], chunk)),
        "treatments": once(treatments, "treatment_id"),
        "adverse_events": harms.with_columns(event_id=_ids("e", harms["harm"], chunk)),
    }
    entered = {name: _in_contract_order(KINDS_BY_NAME[name], r, chunk) for name, r in rows.items()}
    if chunk.site.logs_temperatures:
        logs = temperature_rows(
            chunk.stream(Theme.TEMPERATURES), entered["sessions"], chunk.months, parameters
        )
        entered["temperatures"] = _in_contract_order(KINDS_BY_NAME["temperatures"], logs, chunk)
    return entered


def _ids(prefix: str, numbers: pl.Series, chunk: Chunk) -> pl.Series:
    """Ids as a clinic would number them; those of two sites overlap."""
    shifted = numbers + 1 + chunk.position * ROWS_A_CHUNK
    return pl.select(pl.format("{}{}", pl.lit(prefix), shifted)).to_series()


def _in_contract_order(kind: Kind, rows: pl.DataFrame, chunk: Chunk) -> pl.DataFrame:
    """The contract's columns with their types, dates from day numbers, null where not given."""
    if "patient" in rows.columns:
        rows = rows.with_columns(patient_id=chunk.patient_ids(rows["patient"].to_numpy()))
    role = pl.lit(int(Role.CLEAN))
    if "averaged" in rows.columns:
        role = pl.when("averaged").then(int(Role.AVERAGED)).otherwise(role)
    return rows.select(
        *(
            (pl.col(column.name) if column.name in rows.columns else pl.lit(None))
            .cast(EXPORTED_AS.get(column.type, pl.String()))
            .alias(column.name)
            for column in kind.columns
        ),
        "since",
        "until",
        role.cast(pl.Int64).alias("role"),
    )
