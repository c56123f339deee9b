"""Irregular temperature logs as ingest stores them, and the time that their doses take."""

from collections.abc import Iterator
from datetime import date
from functools import partial
from hashlib import blake2b
from itertools import product
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from ingest import IngestReport
from ingest.contract import KINDS_BY_NAME, SESSIONS, SINGLE_EYES, TEMPERATURES
from ingest.gathering import Gathered
from ingest.logs import put_in_logs
from ingest.report import BATCHES, FILES, FLAGGED_VALUES, REFUSED_HARMS, REFUSED_REASONS
from ingest.store import write_parquet
from ingest.units import Unit
from models.render import render
from pipeline.inputs import assemble
from pipeline.settings import Protocol, Settings, Site
from pipeline.workspace import Release
from tests.benchmarks.bare import compiled, statement
from tests.benchmarks.timed import Times, timed

DOSES_MEMORY = "2GB"
SITES = ("alder", "birch", "cedar", "dogwood", "elm")
MONTHS = (*(f"2025-{month:02}" for month in range(1, 13)), "2026-01")
SAMPLES_OF_LOG = 650
LAST_DAY = date(2026, 1, 31)
MODELS = ("stg_batches", "stg_sites", "stg_protocols", "stg_sessions", "stg_temperatures")
THREE_FIGURES = """
    with doses as ({{ thermal_dose('logs', 'bands', ['session_key', 'eye']) }})
    select sum(cem43_minutes), sum(seconds_in_band), max(longest_run_s) from doses
"""


def dose_times(release: Release) -> Iterator[Times]:
    """Of the bare sum, the three figures of each log, and all figures by the models as built."""
    nodes = {node["name"]: node for node in compiled(release).values()}
    with duckdb.connect(str(release.warehouse)) as connection:
        connection.sql(f"set memory_limit = '{DOSES_MEMORY}'")
        connection.sql("create schema staging; create schema courses")
        for name in MODELS:
            connection.execute(statement(nodes[name]))
        connection.sql(
            f"create view logs as from read_parquet('{release.inputs}/temperatures/*/*/*.parquet')"
        )
        connection.sql(
            "create table bands as select session_key, eye, band_low_c, band_high_c "
            "from staging.stg_sessions inner join staging.stg_protocols using (protocol)"
        )
        for what, sql in {
            "bare sum of the temperatures": "select sum(temp_c) from logs",
            "CEM43, seconds in band, longest run (<= 15)": render(THREE_FIGURES),
            "all figures, from staging to session_doses": statement(nodes["session_doses"]),
        }.items():
            yield timed(what, partial(connection.execute, sql))


def invent_logs(root: Path, samples: int) -> Release:
    """Lay out a release of sessions with temperature logs, five sites' batches of 13 months."""
    settings = Settings(
        site=tuple(Site(code=code) for code in SITES),
        protocol=(Protocol(code="four_fortnightly", sessions_planned=4),),
    )
    release = Release(root / "release", settings, LAST_DAY)
    places = list(product(SITES, MONTHS))
    logs = max(2, round(samples / SAMPLES_OF_LOG / len(places)))
    units = [
        unit
        for number, (site, month) in enumerate(places)
        for unit in _units(root / "accepted", number, site, month, logs)
    ]
    batches = pl.DataFrame(
        [
            (site, month, date(2025, 1, 1), LAST_DAY, 1 + MONTHS.index(month))
            for site, month in places
        ],
        schema=BATCHES,
        orient="row",
    )
    nothing = (
        pl.DataFrame(schema=s) for s in (FILES, REFUSED_REASONS, FLAGGED_VALUES, REFUSED_HARMS)
    )
    assemble(release, IngestReport(LAST_DAY, tuple(units), batches, *nothing))
    return release


def _units(folder: Path, number: int, site: str, month: str, logs: int) -> Iterator[Unit]:
    """A batch's sessions and their logs, half of them of each eye."""
    keys = [
        blake2b(f"{number}/{log // 2}".encode(), digest_size=16).hexdigest() for log in range(logs)
    ]
    sessions = pl.DataFrame(
        {"session_key": keys, "eye": [SINGLE_EYES[log % 2] for log in range(logs)]}
    )
    rows = sessions.select(pl.all().repeat_by(SAMPLES_OF_LOG)).explode("session_key", "eye")
    samples = rows.with_columns(_samples(np.random.default_rng(number), logs))
    whole = {
        SESSIONS.name: sessions.with_columns(
            patient_key="session_key",
            session_date=pl.lit(date(2025, 1, 1)),
            purpose=pl.lit("course"),
            protocol=pl.lit("four_fortnightly"),
        ).lazy(),
        TEMPERATURES.name: put_in_logs(
            Gathered(samples.lazy(), pl.DataFrame(), (), None), samples.lazy(), TEMPERATURES
        ),
    }
    for kind, frame in whole.items():
        path = folder / kind / f"{number}.parquet"
        write_parquet(_stored(frame, kind), path, {})
        yield Unit(site, month, kind, str(number), path, None, cached=False)


def _samples(rng: np.random.Generator, logs: int) -> pl.DataFrame:
    """A warm-up to some 42 C with noise; samples 0.3 to 0.9 s apart, and now and then 8 s more."""
    shape = (logs, SAMPLES_OF_LOG)
    apart = rng.uniform(0.3, 0.9, shape) + 8 * (rng.random(shape) < 1 / SAMPLES_OF_LOG)
    seconds = np.cumsum(apart, axis=1)
    plateau = rng.normal(42, 0.7, (logs, 1))
    heat = 34 + (plateau - 34) * (1 - np.exp(-seconds / 45)) + rng.normal(0, 0.2, shape)
    return pl.DataFrame({"t_s": seconds.round(3).ravel(), "temp_c": heat.round(2).ravel()})


def _stored(frame: pl.LazyFrame, kind: str) -> pl.LazyFrame:
    """Rows with all columns of their kind's accepted file, in its types."""
    schema = KINDS_BY_NAME[kind].stored_schema
    held = frame.collect_schema()
    return frame.select(
        (pl.col(name) if name in held else pl.lit(None)).cast(type_).alias(name)
        for name, type_ in schema.items()
    )
