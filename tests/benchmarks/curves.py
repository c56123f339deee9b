"""Kaplan-Meier for the same groups by the macro and by lifelines: the times, and equal figures."""

from collections.abc import Callable, Iterator
from statistics import median

import duckdb
import numpy as np
import pandas as pd
from lifelines import KaplanMeierFitter

from models.render import render
from tests.benchmarks.bare import MEMORY
from tests.benchmarks.macros import BY, GROUPS, REPEATS, STATEMENTS, courses_sql
from tests.benchmarks.timed import Times, timed

BY_GROUP = ["site", "protocol", "grade"]
FIGURES = ["survival", "survival_low", "survival_high"]
CLOSE = 1e-9


def curve_times(courses: int) -> Iterator[Times]:
    """Medians of the macro and of lifelines, over the same courses, both with 95 % limits.

    Raises:
        ValueError: a figure of theirs differs.
    """
    with duckdb.connect() as connection:
        connection.execute(f"set memory_limit = '{MEMORY}'; set enable_progress_bar = false")
        connection.execute(courses_sql(courses))
        query = f"create or replace temp table curves as {_kaplan_meier()}"
        yield _middle(f"macro, {GROUPS} groups", lambda: connection.execute(query))
        rows = connection.sql(f"select {', '.join(BY_GROUP)}, days, event from courses").df()
        fitted: list[pd.DataFrame] = []
        yield _middle("lifelines (>= 80)", lambda: fitted.append(by_lifelines(rows)))
        refuse_different(connection.table("curves").df(), fitted[-1])


def _kaplan_meier() -> str:
    return render(BY + STATEMENTS["Kaplan-Meier"])


def _middle(what: str, work: Callable[[], object]) -> Times:
    turns = [timed(what, work) for _ in range(REPEATS)]
    return Times(
        what,
        median(turn.seconds for turn in turns),
        median(turn.processor_seconds for turn in turns),
    )


def by_lifelines(rows: pd.DataFrame) -> pd.DataFrame:
    """A curve for each group, one row per time at which somebody was last seen or had the event."""
    return pd.concat(
        [
            _curve(group).assign(**dict(zip(BY_GROUP, names, strict=True)))
            for names, group in rows.groupby(BY_GROUP, sort=False)
        ],
        ignore_index=True,
    )


def _curve(group: pd.DataFrame) -> pd.DataFrame:
    fit = KaplanMeierFitter().fit(group["days"], group["event"])
    curve = fit.survival_function_.join(fit.confidence_interval_)
    curve.columns = pd.Index(FIGURES)
    return curve.rename_axis("time").reset_index()


def refuse_different(macro: pd.DataFrame, script: pd.DataFrame) -> None:
    """Compare each time of each group that the macro gives, where it gives limits.

    Raises:
        ValueError: a figure differs by more than 1e-9, or a row has none to be held against.
    """
    both = macro.merge(script, on=[*BY_GROUP, "time"], how="left", suffixes=("", "_script"))
    for figure in FIGURES:
        ours = both[figure].to_numpy(float)
        theirs = both[f"{figure}_script"].to_numpy(float)
        apart = ~np.isclose(ours, theirs, rtol=0, atol=CLOSE) & ~np.isnan(ours)
        if apart.any():
            raise ValueError(f"{figure} differs in {apart.sum():,} of {len(both):,} rows.")
