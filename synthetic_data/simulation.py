"""One chunk of a site's patients: who they are, how they are treated, what is measured."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from synthetic_data.courses import Courses, draw_courses
from synthetic_data.months import Months
from synthetic_data.outcomes import Occasions, Values, draw_occasions, measure_all
from synthetic_data.parameters import InventedSite, Parameters
from synthetic_data.population import Intake, Patients, draw_intake, draw_patients
from synthetic_data.randomness import Integers, Theme, stream

CHUNK_PATIENTS = 25_000


@dataclass(frozen=True)
class Chunk:
    """Up to CHUNK_PATIENTS patients of one site; `months` are those that the site exported.

    `part` goes into the names of the files, between the kind and the ending.
    """

    seed: int
    site: InventedSite
    site_position: int
    position: int
    part: str
    patients: int
    months: Months

    def stream(self, theme: Theme) -> np.random.Generator:
        """The chunk's random numbers for one theme."""
        return stream(self.seed, self.site_position, self.position, theme)

    def patient_ids(self, patients: Integers) -> pl.Series:
        """The site's ids of these patients of the chunk."""
        numbers = pl.Series(patients + (self.position * CHUNK_PATIENTS + 1))
        return pl.select(pl.format("p{}", numbers)).to_series()


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


def plan_chunks(patients: int, seed: int, months: Months, parameters: Parameters) -> list[Chunk]:
    """Share the patients among the sites, and cut the sites into chunks."""
    shares = [site.share for site in parameters.sites]
    ends = [round(patients * sum(shares[: n + 1]) / sum(shares)) for n in range(len(shares))]
    counts = [end - start for start, end in zip([0, *ends], ends, strict=False)]
    return [
        Chunk(
            seed=seed,
            site=site,
            site_position=number,
            position=position,
            part=f"-{position + 1:04}" if count > CHUNK_PATIENTS else "",
            patients=min(CHUNK_PATIENTS, count - position * CHUNK_PATIENTS),
            months=months.without_last(min(site.months_late, len(months) - 1)),
        )
        for number, (site, count) in enumerate(zip(parameters.sites, counts, strict=True))
        for position in range(-(-count // CHUNK_PATIENTS))
    ]
