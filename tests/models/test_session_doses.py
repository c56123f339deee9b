"""The demo's temperature logs, worked out anew in polars and numpy from the accepted rows."""

from collections.abc import Iterator
from itertools import product
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.workspace import Release

LOG = ["site", "session_key", "eye"]
FIGURES = [
    "samples",
    "cem43_minutes",
    "seconds_in_band",
    "longest_run_s",
    "peak_c",
    "seconds_above_43",
    "plateau_c",
]
NOTHING = [np.nan] * 6


@pytest.fixture(scope="module")
def accepted(demo_release: Release) -> pl.DataFrame:
    """Every accepted sample of every batch."""
    return pl.read_parquet(
        demo_release.inputs / "temperatures" / "*" / "*" / "*.parquet",
        hive_partitioning=True,
        hive_schema={"site": pl.String, "batch": pl.String},
    )


@pytest.fixture
def doses(demo_warehouse: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    found: pl.DataFrame = demo_warehouse.sql("from courses.session_doses").pl()
    return found


def worked_out(time: Any, heat: Any, low: float, high: float) -> list[float]:
    """FIGURES of one log, its samples in the order of time."""
    if len(time) < 2:
        return [len(time), *NOTHING]
    apart = np.diff(time)
    step = np.minimum(apart, 5)
    before = heat[:-1]
    rate = np.where(before >= 43, 2.0 ** (before - 43), 4.0 ** (before - 43))
    in_band = (before >= low) & (before <= high)
    late = time[:-1] >= 120
    longest = run = 0.0
    for inside, seconds, gap in zip(in_band, step, apart, strict=True):
        run = run + seconds if inside else 0.0
        longest = max(longest, run)
        run = 0.0 if gap > 5 else run
    return [
        len(time),
        float(step @ rate) / 60,
        step[in_band].sum(),
        longest,
        heat.max(),
        step[before > 43].sum(),
        np.average(before[late], weights=step[late]) if step[late].any() else np.nan,
    ]


def newest_logs(accepted: pl.DataFrame) -> Iterator[tuple[tuple[Any, ...], pl.DataFrame]]:
    newest = pl.col("batch") == pl.col("batch").max().over(LOG)
    yield from accepted.filter(newest).sort("t_s").group_by(LOG)


def test_every_log_as_worked_out_in_numpy(
    demo_warehouse: duckdb.DuckDBPyConnection, accepted: pl.DataFrame, doses: pl.DataFrame
) -> None:
    bands = {
        (site, session, eye): (float(low), float(high))
        for site, session, eye, low, high in demo_warehouse.sql(
            "select site, session_key, eye, band_low_c, band_high_c "
            "from staging.stg_sessions inner join staging.stg_protocols using (protocol)"
        ).fetchall()
    }
    expected = {
        key: worked_out(
            log["t_s"].cast(pl.Float64).to_numpy(),
            log["temp_c"].cast(pl.Float64).to_numpy(),
            *bands[key],
        )
        for key, log in newest_logs(accepted)
        if key in bands
    }
    got = {tuple(row[:3]): row[3:] for row in doses.select(LOG + FIGURES).iter_rows()}
    assert got.keys() == expected.keys()
    assert len(got) > 20
    for key, figures in expected.items():
        shown = [np.nan if value is None else float(value) for value in got[key]]
        assert shown == pytest.approx(figures, rel=1e-9, abs=5e-7, nan_ok=True)


def test_the_logs_have_gaps_and_leave_their_band(
    accepted: pl.DataFrame, doses: pl.DataFrame
) -> None:
    """Otherwise the comparison above would not try what it is for."""
    apart = accepted.sort("t_s").select(pl.col("t_s").diff().over([*LOG, "batch"]))
    assert (apart["t_s"] > 5).sum() > 3
    assert (doses["longest_run_s"] < doses["seconds_in_band"]).sum() > 3


def test_session_eyes_and_delivery_carry_the_doses(
    demo_warehouse: duckdb.DuckDBPyConnection, doses: pl.DataFrame
) -> None:
    eyes = demo_warehouse.sql("from courses.session_eyes where cem43_minutes is not null").pl()
    carried = eyes.join(doses, on=[*LOG, *FIGURES[1:6]], how="inner")
    assert carried.height == eyes.height > 20
    medians = demo_warehouse.sql(
        "select site, median_cem43 from cohorts.delivery "
        "where site <> 'all' and protocol = 'all' and month = 'all' and median_cem43 is not null"
    ).fetchall()
    assert dict(medians) == pytest.approx(
        {site: np.median(some["cem43_minutes"]) for (site,), some in eyes.group_by("site")},
        rel=1e-12,
    )


def test_made_logs_agree_with_their_recorded_plateaus(
    demo_warehouse: duckdb.DuckDBPyConnection,
) -> None:
    """They are made around it, warm after two minutes, but for seconds of a planted 62 C."""
    apart = demo_warehouse.sql(
        "select abs(plateau_c - plateau_temp_c) from courses.session_doses "
        "inner join courses.session_eyes using (site, session_key, eye) "
        "where plateau_c is not null and plateau_temp_c is not null"
    ).fetchall()
    assert len(apart) > 20
    assert max(apart)[0] < 0.5


def test_dose_quarters_as_worked_out_in_polars(demo_warehouse: duckdb.DuckDBPyConnection) -> None:
    """Each quarter of the group's evaluable courses and eyes, by rule, site and protocol."""
    eyes = demo_warehouse.sql(
        "select course_id, eye, cast(seconds_in_band as double) as seconds "
        "from courses.session_eyes where course_id is not null and seconds_in_band is not null"
    ).pl()
    judged = demo_warehouse.sql(
        "select rule, course_id, eye, site, protocol, outcome = 'responder' as responds "
        "from courses.responses "
        "where is_mature and outcome in ('responder', 'unchanged', 'worsened')"
    ).pl()
    of_courses = eyes.group_by("course_id").agg(pl.col("seconds").mean())
    of_eyes = eyes.group_by("course_id", "eye").agg(pl.col("seconds").mean())
    dosed = pl.concat(
        [
            judged.filter(pl.col("eye") == "both").join(of_courses, on="course_id"),
            judged.join(of_eyes, on=["course_id", "eye"]),
        ],
        how="diagonal",
    ).with_columns(pl.col("seconds").round(6))
    lower = pl.col("seconds").rank("min").over("rule") - 1
    others = pl.max_horizontal(pl.len().over("rule") - 1, 1)
    dosed = dosed.with_columns(quarter=pl.min_horizontal(4 * lower // others, 3).cast(pl.Int64) + 1)
    expected = {}
    for sites, protocols in product((False, True), repeat=2):
        rows = dosed.with_columns(
            pl.lit("all").alias(name)
            for name, is_all in (("site", sites), ("protocol", protocols))
            if is_all
        )
        for key, some in rows.group_by("rule", "site", "protocol", "quarter"):
            expected[key] = (
                some.height,
                some["responds"].sum(),
                some["seconds"].min(),
                some["seconds"].max(),
            )
    published = demo_warehouse.sql("from cohorts.dose_response").pl()
    got = {
        tuple(row[:4]): row[4:]
        for row in published.select(
            "rule", "site", "protocol", "dose_quarter", "evaluable", "responders", "seconds_from",
            "seconds_to",
        ).iter_rows()
    }  # fmt: skip
    assert got == expected
    assert published["dose_quarter"].unique().sort().to_list() == [1, 2, 3, 4]
    assert (published["rate_low"] <= published["response_rate"]).all()
    assert (published["response_rate"] <= published["rate_high"]).all()
