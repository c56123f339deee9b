"""What the cohort tables should recover, from a large sample of the same model.

The project's definitions are worked out anew here, with their default numbers, so that the truth
does not lean on the code that it checks. Every rate is told twice: as it is among those who are
measured, which the tables estimate, and as it would be if everybody were.
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations

import numpy as np
import polars as pl

from ingest.contract import EYES, SINGLE_EYES
from synthetic_data.months import FAR_OFF, Months
from synthetic_data.outcomes import BOTH_EYES, NAMES, Why
from synthetic_data.parameters import Parameters
from synthetic_data.randomness import Theme
from synthetic_data.records import visit_rows
from synthetic_data.sessions import session_dates
from synthetic_data.simulation import Chunk, Simulated, plan_chunks, simulate

SAMPLE_SEED = 20_261_031  # the truth does not change with the seed of the exports
SAMPLE_PATIENTS = 40_000

COURSE_GAP, BASELINE, SETTLE, TARGET, FOLLOWUP = 120, 90, 14, 60, 120  # days, as by default
STAGING = "meibum_quality"
SYMPTOM_BANDS = ((13, "normal"), (23, "mild"), (33, "moderate"), (np.inf, "severe"))
GLAND_STAGES = ((2, "none"), (4, "stage1"), (8, "stage2"), (13, "stage3"), (np.inf, "stage4"))
TOTALLED = ("grade", "site", "protocol", "course_kind")
CELL = ("rule", "grading", *TOTALLED)


@dataclass(frozen=True)
class Rule:
    """A response rule: its measure, whether more is better, and from which baseline on it applies.

    `amount` is the improvement that makes a response, in the measure's unit.
    """

    name: str
    measure: str
    more_is_better: bool
    applies: pl.Expr
    amount: pl.Expr


BEFORE = pl.col("baseline")
RULES = (
    Rule(
        "symptoms",
        "osdi",
        more_is_better=False,
        applies=BEFORE >= 13,
        amount=pl.when(BEFORE < 33).then(7.3).otherwise(13.4),
    ),
    Rule(
        "tear_film", "break_up_time", more_is_better=True, applies=BEFORE < 10, amount=pl.lit(2.0)
    ),
    Rule(
        "glands", "gland_secretion", more_is_better=True, applies=BEFORE <= 40, amount=pl.lit(5.0)
    ),
)


@lru_cache(maxsize=4)
def expected_tables(
    parameters: Parameters, months: Months, patients: int = SAMPLE_PATIENTS
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Expected response at the final evaluation, and by session.

    Returns:
        One row per rule, grading, grade, site, protocol and course_kind: `courses` and
        `evaluable` in the sample, `response_rate` among the evaluable, `rate_if_all_measured`,
        and the standard errors that come of sampling. The second table has one row per
        session_number besides: `begun`, and the `response_share` of these.
    """
    measured, responding = judged_courses(patients, SAMPLE_SEED, months, parameters)
    complete, _ = judged_courses(patients, SAMPLE_SEED, months, _all_measured(parameters))
    all_measured = _rates(complete).select(
        *CELL,
        rate_if_all_measured="response_rate",
        rate_if_all_measured_error="response_rate_error",
    )
    final = _rates(measured).join(all_measured, on=CELL, how="left")
    by_session = _shares(measured, responding, parameters)
    return final.sort(CELL), by_session.sort(*CELL, "session_number")


def _all_measured(parameters: Parameters) -> Parameters:
    """The same model where every final review takes place and nothing is left out at any."""
    return replace(
        parameters,
        osdi_noted=1.0,
        signs=tuple(replace(sign, noted=1.0, noted_first=1.0) for sign in parameters.signs),
        early_review=0.0,
        final_seen_responding=1.0,
        final_seen_unresponsive=1.0,
        final_seen_stopped=1.0,
    )


def judged_courses(
    patients: int, seed: int, months: Months, parameters: Parameters
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """All courses of the group that `make_exports` writes for the same numbers, as `judge` tells.

    Of clean exports the cohort tables must count exactly these.
    """
    judged = [
        judge(chunk, simulate(chunk, parameters), parameters)
        for chunk in plan_chunks(patients, seed, months, parameters)
    ]
    finals, responding = zip(*judged, strict=True)
    return pl.concat(finals), pl.concat(responding)


def judge(
    chunk: Chunk, simulated: Simulated, parameters: Parameters
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Judge a chunk's mature courses by every rule.

    Returns:
        One row per course, rule and treated eye (`both` for the patient), with a column per
        grading, `applies` (null without baseline) and `responds` at the final evaluation (null
        where not measured). Then one row for each session_number after which one responds.
    """
    courses = _mature_courses(chunk, simulated, parameters)
    values = _day_values(chunk, simulated)
    graded = courses.join(_grades(courses, values, chunk, simulated, parameters), on="course")
    stages = banded(latest_before(courses, values.filter(measure=STAGING)), GLAND_STAGES)
    finals, responding = [], []
    for rule in RULES:
        of_rule = values.filter(measure=rule.measure)
        units = _units(graded, simulated, rule).join(
            latest_before(courses, of_rule).rename({"value": "baseline"}),
            on=["course", "eye"],
            how="left",
        )
        units = units.join(
            stages.rename({"band": "glands"}), on=["course", "eye"], how="left"
        ).with_columns(
            pl.lit(rule.name).alias("rule"),
            pl.when(pl.col("eye") != BOTH_EYES).then(pl.col("glands").fill_null("unknown")),
            applies=rule.applies,
        )
        final = units.join(final_value(courses, of_rule), on=["course", "eye"], how="left")
        final = final.with_columns(responds=_responds(rule))
        finals.append(final)
        responding.append(_after_sessions(final, of_rule, simulated, rule))
    return pl.concat(finals), pl.concat(responding)


def _responds(rule: Rule) -> pl.Expr:
    """Whether the improvement reaches the rule's amount; null where it is not known."""
    gain = pl.col("value") - BEFORE if rule.more_is_better else BEFORE - pl.col("value")
    return pl.when("applies").then(gain.round(6) >= rule.amount)


def _mature_courses(chunk: Chunk, simulated: Simulated, parameters: Parameters) -> pl.DataFrame:
    """Definition 7, with the protocol's code and the kind of course."""
    courses = simulated.courses
    cutoff = chunk.months.last_day
    protocols = pl.Series([protocol.code for protocol in parameters.protocols])
    treated_before = simulated.patients.treated_before.gather(courses.patient).eq_missing("yes")
    return pl.DataFrame(
        {
            "course": np.arange(courses.count),
            "patient": courses.patient,
            "site": pl.repeat(chunk.site.code, courses.count, eager=True),
            "protocol": protocols.gather(courses.protocol),
            "first": courses.first_day,
            "last": courses.last_day,
            "until": np.minimum(courses.last_day + FOLLOWUP, courses.maintenance[:, 0]),
            "sessions": courses.sessions,
            "is_first": pl.Series(courses.number == 1) & ~treated_before,
        }
    ).filter(cutoff - pl.col("last") > COURSE_GAP)


def _day_values(chunk: Chunk, simulated: Simulated) -> pl.DataFrame:
    """The mean of a day's values per patient, measure and eye; none taken after treatment."""
    occasions, values = simulated.occasions, simulated.values
    used = {rule.measure for rule in RULES} | {STAGING}
    return (
        pl.DataFrame(
            {
                "patient": occasions.patient[values.occasion],
                "measure": pl.Series(NAMES).gather(values.measure),
                "eye": pl.Series(EYES).gather(values.eye),
                "day": occasions.day[values.occasion],
                "after": occasions.why[values.occasion] == Why.AFTER,
                "value": values.value,
            }
        )
        .filter(
            ~pl.col("after"),
            pl.col("measure").is_in(list(used)),
            pl.col("day") <= chunk.months.last_day,
        )
        .group_by("patient", "measure", "eye", "day")
        .agg(pl.col("value").mean())
    )


def latest_before(courses: pl.DataFrame, values: pl.DataFrame) -> pl.DataFrame:
    """Definition 2: per course and eye, the latest value in the baseline window."""
    days_before = pl.col("first") - pl.col("day")
    return (
        courses.select("course", "patient", "first")
        .join(values, on="patient")
        .filter(days_before.is_between(0, BASELINE))
        .sort("course", "eye", "day")
        .group_by("course", "eye", maintain_order=True)
        .agg(pl.col("value").last())
    )


def final_value(courses: pl.DataFrame, values: pl.DataFrame) -> pl.DataFrame:
    """Definition 3: per course and eye, the value nearest the target day, the later of two."""
    day = pl.col("day") - pl.col("last")
    return (
        courses.select("course", "patient", "last", "until")
        .join(values, on="patient")
        .filter(day >= SETTLE, pl.col("day") <= pl.col("until"))
        .with_columns(distance=(day - TARGET).abs())
        .sort("course", "eye", "distance", "day", descending=[False, False, False, True])
        .group_by("course", "eye", maintain_order=True)
        .agg(pl.col("value").first())
    )


def _grades(
    courses: pl.DataFrame,
    values: pl.DataFrame,
    chunk: Chunk,
    simulated: Simulated,
    parameters: Parameters,
) -> pl.DataFrame:
    """Definition 5: the bands of symptoms at baseline, and the clinician's latest grade."""
    osdi = latest_before(courses, values.filter(measure="osdi"))
    visits = visit_rows(
        chunk.stream(Theme.RECORDS),
        simulated.patients,
        session_dates(simulated.courses),
        simulated.courses,
        simulated.occasions,
        parameters,
    ).select("patient", pl.lit("both").alias("eye"), day="visit_date", value="severity_grade")
    clinician = latest_before(courses, visits.drop_nulls("value"))
    return (
        courses.select("course")
        .join(banded(osdi, SYMPTOM_BANDS).rename({"band": "symptoms"}), on="course", how="left")
        .join(clinician.rename({"value": "clinician"}), on="course", how="left")
        .select("course", pl.col("symptoms", "clinician").fill_null("unknown"))
    )


def banded(values: pl.DataFrame, bands: tuple[tuple[float, str], ...]) -> pl.DataFrame:
    """Half-open bands, each with its upper end."""
    ends, names = zip(*bands, strict=True)
    band = np.searchsorted(ends, values["value"].to_numpy(), side="right")
    return values.select("course", "eye", band=pl.Series(names).gather(band))


def _units(graded: pl.DataFrame, simulated: Simulated, rule: Rule) -> pl.DataFrame:
    """One row per course, or per course and treated eye."""
    if rule.measure == "osdi":
        return graded.with_columns(eye=pl.lit(BOTH_EYES))
    course, eye = np.nonzero(simulated.courses.treats)
    treated = pl.DataFrame({"course": course, "eye": pl.Series(SINGLE_EYES).gather(eye)})
    return graded.join(treated, on="course")


def _after_sessions(
    final: pl.DataFrame, values: pl.DataFrame, simulated: Simulated, rule: Rule
) -> pl.DataFrame:
    """Definition 8: who responds after which session; after the last, at the final evaluation."""
    days = simulated.courses.days
    spans = pl.DataFrame(
        {
            "course": np.repeat(np.arange(len(days)), days.shape[1] - 1),
            "session_number": np.tile(np.arange(1, days.shape[1]), len(days)),
            "day_before": days[:, :-1].ravel(),
            "day_until": days[:, 1:].ravel(),
        }
    ).filter(pl.col("day_until") < FAR_OFF)
    begun = final.filter(pl.col("applies"))
    between = (
        begun.drop("value", "responds")
        .join(spans, on="course")
        .join(values.select("patient", "eye", "day", "value"), on=["patient", "eye"])
        .filter(pl.col("day") > pl.col("day_before"), pl.col("day") <= pl.col("day_until"))
        .sort("course", "eye", "session_number", "day")
        .group_by("course", "eye", "session_number", maintain_order=True)
        .agg(pl.col("value").last())
    )
    seen = (
        begun.drop("value", "responds")
        .join(between, on=["course", "eye"])
        .with_columns(responds=_responds(rule))
        .select("course", "eye", "session_number", "responds")
    )
    last = begun.select("course", "eye", "responds", session_number="sessions")
    responding = pl.concat([seen, last.select(seen.columns)]).filter("responds")
    return begun.join(responding.drop("responds"), on=["course", "eye"])


def _rates(judged: pl.DataFrame) -> pl.DataFrame:
    """Response rates of every cell, with their standard errors."""
    counts = _rolled_up(
        judged.filter(pl.col("applies").fill_null(value=True)),
        CELL,
        courses=pl.len(),
        evaluable=pl.col("responds").is_not_null().sum(),
        responders=pl.col("responds").sum(),
    )
    rate = pl.col("responders") / pl.col("evaluable")
    return (
        counts.filter(pl.col("evaluable") > 0)
        .with_columns(response_rate=rate)
        .with_columns(response_rate_error=_error("response_rate", "evaluable"))
        .drop("responders")
    )


def _shares(judged: pl.DataFrame, responding: pl.DataFrame, parameters: Parameters) -> pl.DataFrame:
    """Of all units begun in a cell, the share that responds after each session."""
    begun = _rolled_up(judged.filter("applies"), CELL, begun=pl.len())
    numbered = begun.join(_table_ends(parameters), on="protocol")
    hits = _rolled_up(responding, (*CELL, "session_number"), responding=pl.len())
    return (
        numbered.join(hits, on=[*CELL, "session_number"], how="left")
        .with_columns(response_share=pl.col("responding").fill_null(0) / pl.col("begun"))
        .with_columns(response_share_error=_error("response_share", "begun"))
        .drop("responding")
    )


def _table_ends(parameters: Parameters) -> pl.DataFrame:
    """The session numbers of each protocol's table; that of all ends with the smallest plan."""
    planned = {p.code: p.definition.sessions_planned for p in parameters.protocols}
    planned["all"] = min(planned.values())
    rows = [(code, number) for code, end in planned.items() for number in range(1, end + 1)]
    return pl.DataFrame(rows, schema=["protocol", "session_number"], orient="row")


def _error(share: str, of: str) -> pl.Expr:
    """The standard error of a share; both eyes of a patient are taken as one."""
    patients = pl.col(of) / pl.when(pl.col("rule") == "symptoms").then(1).otherwise(2)
    return (pl.col(share) * (1 - pl.col(share)) / patients).sqrt()


def _rolled_up(judged: pl.DataFrame, keys: tuple[str, ...], **counts: pl.Expr) -> pl.DataFrame:
    """Counts of every cell and of all totals over its parts, for every grading."""
    gradings = pl.concat(
        judged.filter(pl.col(grading).is_not_null()).with_columns(
            grade=grading, grading=pl.lit(grading)
        )
        for grading in ("symptoms", "clinician", "glands")
    ).with_columns(
        course_kind=pl.when("is_first").then(pl.lit("first")).otherwise(pl.lit("repeat"))
    )
    cells = gradings.group_by(keys).agg(**{n: c.cast(pl.Int64) for n, c in counts.items()})
    totals = (
        cells.with_columns(pl.lit("all").alias(column) for column in over)
        .group_by(keys)
        .agg(pl.col(list(counts)).sum())
        for size in range(len(TOTALLED) + 1)
        for over in combinations(TOTALLED, size)
    )
    return pl.concat(totals).filter(pl.col("course_kind") != "repeat")
