"""Writes what is true of the invented group, beside its exports.

parameters.json            the model's parameters, each with its meaning and basis
patients/, courses/        one row per assessed patient, and per course begun
expected_response.parquet  what response_by_grade should recover; expected_by_session likewise
files.parquet              per file: rows, accepted, refused, exact repeats, averaged samples
planted_faults.parquet     per fault: where it lies, and the reason ingest should give; counted
                           per site, batch, kind, column and reason in planted_fault_counts
refused_harms.parquet      harms in refused rows; changed_harms those later lowered or withdrawn
"""

import json
import shutil
from dataclasses import is_dataclass
from pathlib import Path

import numpy as np
import polars as pl
from pydantic import BaseModel

from ingest.contract import SINGLE_EYES
from synthetic_data.courses import MAX_SESSIONS
from synthetic_data.export import PLACE, Ledger
from synthetic_data.months import FAR_OFF
from synthetic_data.parameters import Parameters
from synthetic_data.randomness import Integers
from synthetic_data.simulation import Chunk, Simulated

BY_CHUNK = ("patients", "courses")
FAULT_COUNTS = ("site", "batch", "kind", "role", "column_name", "reason")


def write_truth(folder: Path, ledger: Ledger, parameters: Parameters) -> None:
    """Write the model's parameters, and what was planted in which file."""
    folder.mkdir(parents=True, exist_ok=True)
    described = json.dumps(parameters.described(), indent=1, default=_plain)
    (folder / "parameters.json").write_text(described + "\n", encoding="utf-8")
    counts = ledger.faults.group_by(FAULT_COUNTS).agg(
        rows=pl.len().cast(pl.Int64),
        would_have_replaced=pl.col("would_have_replaced").sum().cast(pl.Int64),
    )
    for name, table in (
        ("files", ledger.files.sort(PLACE)),
        ("planted_faults", ledger.faults.sort(*PLACE, "row", "column_name", nulls_last=True)),
        ("planted_fault_counts", counts.sort(FAULT_COUNTS, nulls_last=True)),
        ("refused_harms", ledger.refused_harms.sort(*PLACE, "row")),
        ("changed_harms", ledger.changed_harms.sort(ledger.changed_harms.columns)),
    ):
        table.write_parquet(folder / f"{name}.parquet", statistics=False)


def write_expected(folder: Path, final: pl.DataFrame, by_session: pl.DataFrame) -> None:
    """Write what the cohort tables should recover."""
    final.write_parquet(folder / "expected_response.parquet", statistics=False)
    by_session.write_parquet(folder / "expected_by_session.parquet", statistics=False)


def _plain(value: object) -> object:
    """Dataclasses and settings as plain mappings, for JSON."""
    if isinstance(value, BaseModel):
        return value.model_dump(mode="json")
    if is_dataclass(value) and not isinstance(value, type):
        return {name: getattr(value, name) for name in value.__dataclass_fields__}
    raise TypeError(f"{value!r} has no place in the truth")


def write_true_patients(
    folder: Path, chunk: Chunk, simulated: Simulated, parameters: Parameters
) -> None:
    """Write what is true of a chunk's patients and of their courses within the covered months."""
    tables = (true_patients(chunk, simulated), true_courses(chunk, simulated, parameters))
    for name, table in zip(BY_CHUNK, tables, strict=True):
        path = folder / name
        path.mkdir(parents=True, exist_ok=True)
        table.write_parquet(path / f"{chunk.site.code}{chunk.part}.parquet", statistics=False)


def forget_true_patients(folder: Path) -> None:
    """Remove what an earlier group left there; it may have had other chunks."""
    for name in BY_CHUNK:
        shutil.rmtree(folder / name, ignore_errors=True)


def true_patients(chunk: Chunk, simulated: Simulated) -> pl.DataFrame:
    """One row per assessed patient: true values before any treatment, and what was decided."""
    patients, intake = simulated.patients, simulated.intake
    secretion = patients.signs["gland_secretion"]
    return pl.DataFrame(
        {
            "site": pl.repeat(chunk.site.code, patients.count, eager=True),
            "patient_id": chunk.patient_ids(np.arange(patients.count)),
            "assessed_on": _days(patients.assessed),
            "osdi": patients.osdi,
            "osdi_at_assessment": patients.first_osdi,
            "gland_secretion_right": secretion[:, 0],
            "gland_secretion_left": secretion[:, 1],
            "decision": intake.decision,
            "accepted_on": _days(intake.accepted_on),
            "moves_on": _days(patients.moves),
            "dies_on": _days(patients.dies),
        }
    )


def true_courses(chunk: Chunk, simulated: Simulated, parameters: Parameters) -> pl.DataFrame:
    """One row per course begun in the covered months; what comes later is told all the same.

    `<...>_respond_at` is the session from which a response is there, null for never.
    """
    courses = simulated.courses
    protocols = pl.Series([protocol.code for protocol in parameters.protocols])
    signs = {
        f"signs_respond_at_{eye}": _sessions(courses.signs_respond_at[:, position])
        for position, eye in enumerate(SINGLE_EYES)
    }
    table = pl.DataFrame(
        {
            "site": pl.repeat(chunk.site.code, courses.count, eager=True),
            "patient_id": chunk.patient_ids(courses.patient),
            "course_number": courses.number,
            "protocol": protocols.gather(courses.protocol),
            "sessions_planned": courses.planned,
            "sessions": courses.sessions,
            "first_on": _days(courses.first_day),
            "last_on": _days(courses.last_day),
            "completed": courses.completed,
            "symptoms_respond_at": _sessions(courses.symptoms_respond_at),
            **signs,
            "osdi_share_removed": courses.fall,
            "response_ends_on": _days(courses.lost[:, 0]),
            "next_maintenance_on": _days(courses.maintenance[:, 0]),
            "next_course_on": _days(courses.next_course),
        }
    )
    return table.filter(pl.Series(courses.first_day <= chunk.months.last_day))


def _days(numbers: Integers) -> pl.Series:
    """Dates, null for what never happens within the calendar's reach."""
    return pl.DataFrame({"day": numbers}).select(
        pl.when(pl.col("day") < FAR_OFF).then("day").cast(pl.Int32).cast(pl.Date)
    )["day"]


def _sessions(numbers: Integers) -> pl.Series:
    return pl.DataFrame({"session": numbers}).select(
        pl.when(pl.col("session") <= MAX_SESSIONS).then("session")
    )["session"]
