"""The worked analyses on the demo, each worked out a second way in polars, from the tables alone.

Limits come from statsmodels 0.15.0 and scipy 1.17.1. All of it is closed arithmetic in doubles, so
1e-9 holds, but for chi-square quantiles, which both sides iterate to about 1e-12.
"""

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal
from scipy.stats import chi2
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from models.build import PROJECT, analyses

NOTEBOOK = PROJECT / "analyses" / "one_more_session.ipynb"
JUDGED = ("responder", "unchanged", "worsened")
Tables = Callable[[str], pl.DataFrame]


def wilson(frame: pl.DataFrame, events: str, among: str) -> list[pl.Series]:
    limits = proportion_confint(frame[events].to_numpy(), frame[among].to_numpy(), method="wilson")
    return [
        pl.Series(name, values)
        for name, values in zip(("share_low", "share_high"), limits, strict=True)
    ]


def with_share(frame: pl.DataFrame, events: str, among: str, name: str) -> pl.DataFrame:
    shares = frame.with_columns((pl.col(events) / pl.col(among)).alias(name))
    return shares.with_columns(wilson(frame, events, among))


def symptoms(tables: Tables) -> pl.DataFrame:
    return tables("courses.responses").filter(pl.col("rule") == "symptoms")


def not_helped_by_home_care(tables: Tables) -> pl.DataFrame:
    came = (
        tables("courses.courses")
        .join(tables("courses.home_care"), on="course_id")
        .filter(
            pl.col("course_kind") == "first",
            pl.col("symptoms_band") != "unknown",
            pl.col("minutes_before") > 0,
        )
        .with_columns(not_helped=pl.col("symptoms_band").is_in(["moderate", "severe"]))
    )
    both = pl.concat([came, came.with_columns(site=pl.lit("all"))])
    counts = both.group_by("site").agg(patients=pl.len(), not_helped=pl.col("not_helped").sum())
    return with_share(counts, "not_helped", "patients", "not_helped_share").sort("site")


def one_more_session(tables: Tables) -> pl.DataFrame:
    measured = tables("courses.session_responses").filter(
        pl.col("measured"), pl.col("rule") == "symptoms"
    )
    rows = []
    for number in range(2, measured["session_number"].max() + 1):
        before, after = (
            measured.filter(pl.col("session_number") == one).select("course_id", "responding")
            for one in (number - 1, number)
        )
        pairs = before.join(after, on="course_id", suffix="_after")
        if pairs.height:
            was, now = pairs["responding"], pairs["responding_after"]
            gained, lost = (~was & now).sum(), (was & ~now).sum()
            rows.append((number, pairs.height, gained, lost, was.mean(), now.mean()))
    names = ["session_number", "courses", "gained", "lost", "responding_before", "responding_after"]
    return pl.DataFrame(rows, names, orient="row")


def who_breaks_off(tables: Tables) -> pl.DataFrame:
    last = (
        tables("courses.session_responses")
        .filter(pl.col("measured"), pl.col("rule") == "symptoms")
        .sort("session_number")
        .group_by("course_id")
        .last()
        .with_columns(
            last_stood=pl.when("responding")
            .then(pl.lit("better"))
            .when("worsened")
            .then(pl.lit("worse"))
            .otherwise(pl.lit("unchanged"))
        )
    )
    counts = (
        tables("courses.courses")
        .filter(pl.col("state").is_in(["completed", "stopped"]))
        .join(last.select("course_id", "last_stood"), on="course_id", how="left")
        .with_columns(pl.col("last_stood").fill_null("not measured"))
        .group_by("last_stood")
        .agg(courses=pl.len(), stopped=(pl.col("state") == "stopped").sum())
    )
    return with_share(counts, "stopped", "courses", "stopped_share").sort("last_stood")


def eye_with_more_heat(tables: Tables) -> pl.DataFrame:
    heat = (
        tables("courses.session_eyes")
        .filter(pl.col("purpose") == "course", pl.col("seconds_in_band").is_not_null())
        .drop_nulls("course_id")
        .group_by("course_id", "eye")
        .agg(pl.col("seconds_in_band").sum())
    )
    eyes = (
        tables("courses.responses")
        .filter(pl.col("rule") == "glands")
        .drop_nulls("improvement")
        .join(heat, on=["course_id", "eye"])
        .pivot("eye", index="course_id", values=["seconds_in_band", "improvement"])
        .drop_nulls()
    )
    signs = eyes.select(
        heat=pl.col("seconds_in_band_right") - pl.col("seconds_in_band_left"),
        gain=pl.col("improvement_right") - pl.col("improvement_left"),
    ).cast(pl.Float64)
    agree = signs["heat"].sign() * signs["gain"].sign()
    counts = pl.DataFrame(
        {
            "pairs": [len(agree)],
            "more_heat_better": [(agree > 0).sum()],
            "more_heat_worse": [(agree < 0).sum()],
            "tied": [(agree == 0).sum()],
            "told": [(agree != 0).sum()],
        }
    )
    return with_share(counts, "more_heat_better", "told", "better_share").drop("told")


def home_care_of_responders(tables: Tables) -> pl.DataFrame:
    told = (
        tables("courses.home_care")
        .drop_nulls("halved")
        .join(symptoms(tables).filter(pl.col("is_mature")), on="course_id")
    )
    better, unchanged = (
        told.filter(pl.col("outcome") == outcome)["halved"]
        for outcome in ("responder", "unchanged")
    )
    low, high = confint_proportions_2indep(
        better.sum(), len(better), unchanged.sum(), len(unchanged), "newcomb", "diff"
    )
    return pl.DataFrame(
        {
            "better": [len(better)],
            "better_halved": [better.sum()],
            "unchanged": [len(unchanged)],
            "unchanged_halved": [unchanged.sum()],
            "difference": [better.mean() - unchanged.mean()],
            "difference_low": [low],
            "difference_high": [high],
        }
    )


def waiting_and_completing(tables: Tables) -> pl.DataFrame:
    patient = ["site", "patient_key"]
    first = tables("staging.stg_visits").group_by(patient).agg(pl.col("visit_date").min())
    waited = (
        tables("courses.courses")
        .filter(pl.col("course_number") == 1, pl.col("state").is_in(["completed", "stopped"]))
        .join(first, on=patient)
        .with_columns(days=(pl.col("first_date") - pl.col("visit_date")).dt.total_days())
        .filter(pl.col("days") >= 0)
    )
    classes = {"0 to 14 days": (0, 14), "15 to 42 days": (15, 42), "43 days or more": (43, 9999)}
    rows = [
        (name, of_class.height, (of_class["state"] == "completed").sum())
        for name, (low, high) in classes.items()
        if (of_class := waited.filter(pl.col("days").is_between(low, high))).height
    ]
    counts = pl.DataFrame(rows, ["waited", "courses", "completed"], orient="row")
    return with_share(counts, "completed", "courses", "completed_share")


def over_temperature_by_device(tables: Tables) -> pl.DataFrame:
    keys = ["site", "device", "in_year", "in_quarter"]
    counts = (
        tables("courses.session_eyes")
        .drop_nulls("max_temp_c")
        .join(tables("staging.stg_protocols"), on="protocol")
        .with_columns(
            pl.col("device").fill_null("unknown"),
            in_year=pl.col("session_date").dt.year().cast(pl.Int64),
            in_quarter=pl.col("session_date").dt.quarter().cast(pl.Int64),
        )
        .group_by(keys)
        .agg(
            session_eyes=pl.len(),
            above_ceiling=(pl.col("max_temp_c") > pl.col("ceiling_c")).sum(),
        )
        .sort(keys)
    )
    events, among = counts["above_ceiling"].to_numpy(), counts["session_eyes"].to_numpy()
    low = pl.Series(chi2.ppf(0.025, 2 * events) / 2, nan_to_null=True).fill_null(0.0)
    return counts.with_columns(
        per_100=100 * pl.col("above_ceiling") / pl.col("session_eyes"),
        per_100_low=100 * low / among,
        per_100_high=pl.Series(100 * chi2.ppf(0.975, 2 * events + 2) / 2 / among),
    )


def symptoms_and_glands(tables: Tables) -> pl.DataFrame:
    glands = (
        tables("courses.responses")
        .filter(pl.col("rule") == "glands", pl.col("outcome").is_in(JUDGED))
        .group_by("course_id")
        .agg(by_glands=(pl.col("outcome") == "responder").any())
    )
    judged = (
        symptoms(tables)
        .filter(pl.col("is_mature"), pl.col("outcome").is_in(JUDGED))
        .with_columns(by_symptoms=pl.col("outcome") == "responder")
        .join(glands, on="course_id")
    )
    s, g = judged["by_symptoms"], judged["by_glands"]
    table = [[(s & g).sum(), (s & ~g).sum()], [(~s & g).sum(), (~s & ~g).sum()]]
    found = cohens_kappa(table)
    (both, symptoms_alone), (glands_alone, neither) = table
    by_chance = s.mean() * g.mean() + (1 - s.mean()) * (1 - g.mean())
    return pl.DataFrame(
        {
            "courses": [judged.height],
            "both_rules": [both],
            "symptoms_alone": [symptoms_alone],
            "glands_alone": [glands_alone],
            "neither": [neither],
            "agreed": [(s == g).mean()],
            "agreed_by_chance": [by_chance],
            "kappa": [found.kappa],
        }
    )


def not_measured_again(tables: Tables) -> pl.DataFrame:
    keys = ["symptoms_band", "sessions_up_to_4"]
    counts = (
        symptoms(tables)
        .filter(pl.col("is_mature"), pl.col("outcome") != "not_applicable")
        .with_columns(sessions_up_to_4=pl.col("sessions").clip(upper_bound=4))
        .group_by(keys)
        .agg(courses=pl.len(), not_measured=(pl.col("outcome") == "not_measured").sum())
    )
    return with_share(counts, "not_measured", "courses", "not_measured_share").sort(keys)


def second_course(tables: Tables) -> pl.DataFrame:
    judged = (
        tables("courses.courses")
        .select("course_id", "course_number")
        .join(symptoms(tables), on="course_id")
        .filter(pl.col("is_mature"), pl.col("outcome").is_in(JUDGED))
        .with_columns(better=pl.col("outcome") == "responder")
    )
    first, second = (
        judged.filter(pl.col("course_number") == number).select("site", "patient_key", "better")
        for number in (1, 2)
    )
    return (
        first.join(second, on=["site", "patient_key"], suffix="_again")
        .group_by(first_better="better")
        .agg(patients=pl.len(), second_better=pl.col("better_again").sum())
        .sort("first_better")
    )


A_SECOND_WAY: dict[str, Callable[[Tables], pl.DataFrame]] = {
    way.__name__: way
    for way in (
        not_helped_by_home_care,
        one_more_session,
        who_breaks_off,
        eye_with_more_heat,
        home_care_of_responders,
        waiting_and_completing,
        over_temperature_by_device,
        symptoms_and_glands,
        not_measured_again,
        second_course,
    )
}


@pytest.fixture(scope="module")
def opened(demo_release, tmp_path_factory):
    """The demo's warehouse, copied since dbt opens it to write, and the analyses as SQL."""
    copy = replace(demo_release, root=tmp_path_factory.mktemp("analyses") / demo_release.name)
    copy.root.mkdir()
    shutil.copy(demo_release.warehouse, copy.warehouse)
    compiled = analyses(copy)
    with duckdb.connect(str(copy.warehouse), read_only=True) as connection:
        yield connection, compiled


def test_there_is_a_second_way_for_each():
    assert {file.stem for file in (PROJECT / "analyses").glob("*.sql")} == set(A_SECOND_WAY)


@pytest.mark.parametrize("name", A_SECOND_WAY)
def test_an_analysis_gives_what_a_second_way_gives(opened, name):
    connection, compiled = opened

    def tables(table: str) -> pl.DataFrame:
        return connection.sql(f"from {table}").pl()

    found = connection.sql(compiled[name]).pl()
    expected = A_SECOND_WAY[name](tables)
    assert found.height
    assert_frame_equal(found, expected.select(found.columns), check_dtypes=False, abs_tol=1e-9)


@pytest.fixture(scope="module")
def notebook(opened, demo_release):
    """The names that the notebook's cells leave, run in their order on the demo."""
    names: dict[str, Any] = {}
    cells = json.loads(NOTEBOOK.read_text())["cells"]
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("RELEASE", str(demo_release.root))
        for cell in cells:
            if cell["cell_type"] == "code":
                exec("".join(cell["source"]), names)  # noqa: S102 - our own cells
    yield names
    names["warehouse"].close()


def test_the_notebooks_steps_are_those_of_the_analysis(opened, notebook):
    """Over its bands, where the second way is given first courses with a grade alone."""
    connection, _ = opened
    steps = (
        notebook["steps"].group_by("session_number").agg(pl.col("courses", "gained", "lost").sum())
    )
    of_first = one_more_session(
        lambda table: connection.sql(
            f"select * from {table} semi join (from courses.courses where course_kind = 'first' "
            "and symptoms_band <> 'unknown') using (course_id)"
        ).pl()
    )
    assert_frame_equal(
        steps.sort("session_number"), of_first.select(steps.columns), check_dtypes=False
    )


def test_the_notebook_draws_each_band_that_has_enough(notebook):
    steps = notebook["steps"]
    enough = steps.filter(pl.col("courses") >= 30)["band"].unique()
    assert {trace.name for trace in notebook["figure"].data} == set(enough)


def test_the_notebook_is_kept_without_its_results():
    cells = json.loads(NOTEBOOK.read_text())["cells"]
    assert not any(cell.get("outputs") or cell.get("execution_count") for cell in cells)
