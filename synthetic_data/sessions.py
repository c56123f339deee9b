"""Rows of the sessions: heat, pain and harm for each eye, and what the whole session shares."""

import numpy as np
import polars as pl

from ingest.contract import SESSIONS, SINGLE_EYES, Column
from synthetic_data.courses import Courses
from synthetic_data.months import FOREVER
from synthetic_data.parameters import InventedSite, Parameters
from synthetic_data.randomness import Floats, Integers, about, draw_codes, happens


def session_dates(courses: Courses) -> pl.DataFrame:
    """One row per patient and date of treatment: course, patient, day, purpose."""
    of_course, session = np.nonzero(courses.days < FOREVER)
    of_maintenance, turn = np.nonzero(courses.maintenance < FOREVER)
    course = np.concatenate([of_course, of_maintenance])
    return pl.DataFrame(
        {
            "course": course,
            "patient": courses.patient[course],
            "day": np.concatenate(
                [courses.days[of_course, session], courses.maintenance[of_maintenance, turn]]
            ),
            "purpose": pl.Series(["course", "maintenance"]).gather(
                np.repeat([0, 1], [len(of_course), len(of_maintenance)])
            ),
        }
    ).sort("patient", "day")


def session_rows(
    rng: np.random.Generator,
    dates: pl.DataFrame,
    courses: Courses,
    site: InventedSite,
    parameters: Parameters,
) -> pl.DataFrame:
    """One row per date and treated eye, with what both eyes share."""
    course = dates["course"].to_numpy()
    shared = _shared(rng, dates, course, courses, parameters)
    date_row, eye = np.nonzero(courses.treats[course])
    heat = _heat(rng, len(eye), site, parameters)
    return pl.DataFrame(
        {
            "known": dates["day"].gather(date_row),
            "eye": pl.Series(SINGLE_EYES).gather(eye),
        }
    ).hstack([*shared.select(pl.all().gather(date_row)), *heat])


def _shared(
    rng: np.random.Generator,
    dates: pl.DataFrame,
    course: Integers,
    courses: Courses,
    parameters: Parameters,
) -> pl.DataFrame:
    """What both eyes of a session share."""
    size = dates.height
    protocols = pl.Series([protocol.code for protocol in parameters.protocols])
    chair = _within("chair_minutes", np.round(about(rng, parameters.chair_minutes, size)))
    people = pl.Series([f"op{number}" for number in range(1, parameters.operators + 1)])
    devices = pl.Series([f"dev{number}" for number in range(1, parameters.devices + 1)])
    return pl.DataFrame(
        {
            "session_id": dates["session_id"],
            "patient": dates["patient"],
            "session_date": dates["day"],
            "purpose": dates["purpose"],
            "protocol": protocols.gather(courses.protocol[course]),
            "chair_minutes": chair,
            "screened": draw_codes(rng, parameters.screened, size),
            "consent_recorded": draw_codes(rng, parameters.consent, size),
            "operator": people.gather(rng.integers(0, len(people), size)),
            "device": devices.gather(rng.integers(0, len(devices), size)),
        }
    )


def _heat(
    rng: np.random.Generator, size: int, site: InventedSite, parameters: Parameters
) -> pl.DataFrame:
    """What each eye went through."""
    plateau = np.round(about(rng, (site.plateau_c, parameters.plateau_spread), size), 1)
    overshoot = np.abs(about(rng, parameters.overshoot, size))
    noted = happens(rng, parameters.heat_noted, size)
    return pl.DataFrame(
        {
            "lids": draw_codes(rng, parameters.lids, size),
            "plateau_temp_c": _within("plateau_temp_c", plateau),
            "max_temp_c": _within("max_temp_c", np.round(plateau + overshoot, 1)),
            "minutes": _within("minutes", np.round(about(rng, parameters.minutes, size), 1)),
            "pain_0_10": _within("pain_0_10", np.round(about(rng, parameters.pain, size))),
            "glands_expressed": draw_codes(rng, parameters.expressed, size),
            "lid_hygiene_done": draw_codes(rng, parameters.lid_hygiene, size),
            "eye_shield": draw_codes(rng, parameters.eye_shield, size),
            "stopped_early": draw_codes(rng, parameters.stopped_early, size),
            "adverse_event": draw_codes(rng, parameters.harm_at_session, size),
        }
    ).with_columns(
        pl.when(pl.Series(noted)).then(pl.col("plateau_temp_c", "max_temp_c", "minutes"))
    )


def _within(name: str, values: Floats) -> Floats:
    """Values kept inside the contract's range for the column."""
    column: Column = SESSIONS.column(name)
    return np.clip(values, column.low, column.high)
