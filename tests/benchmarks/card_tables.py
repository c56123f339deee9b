"""The three card tables by pandas and lifelines in one script, straight from clean exports.

What an analyst would write once, by hand: response by grade, response at each session, sessions to
response, at every level of the grain. It shares no code with the job, so that it also checks it.
Left out: columns that need other treatments or definition 14, and clustered errors of the curves,
which lifelines does not have.
"""

import tomllib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
from lifelines import KaplanMeierFitter

Z = 1.959963984540054
PATIENT = ["site", "patient_id"]
SYMPTOM_BANDS = ([-np.inf, 13, 23, 33, np.inf], ["normal", "mild", "moderate", "severe"])
GLAND_BANDS = ([-np.inf, 2, 4, 8, 13, np.inf], ["none", "stage1", "stage2", "stage3", "stage4"])
GRADES = ["mild", "moderate", "severe"]
COUNTS = ["courses", "not_applicable", "not_measured", "evaluable", "responders", "unchanged"]


@dataclass(frozen=True)
class Rule:
    name: str
    measure: str
    eyes: bool
    sign: int  # +1 where a higher value is better


RULES = (
    Rule("symptoms", "osdi", eyes=False, sign=-1),
    Rule("tear_film", "break_up_time", eyes=True, sign=1),
    Rule("glands", "gland_secretion", eyes=True, sign=1),
)


@dataclass(frozen=True)
class Group:
    """A workspace's settings, as far as these tables need them."""

    root: Path
    full_sites: frozenset[str]
    planned: dict[str, int]
    numbers: dict[str, int]

    @classmethod
    def read(cls, root: Path) -> "Group":
        settings = tomllib.loads((root / "group.toml").read_text("utf-8"))
        return cls(
            root,
            frozenset(site["code"] for site in settings["site"] if site["exports"] == "full"),
            {each["code"]: each["sessions_planned"] for each in settings["protocol"]},
            settings["numbers"],
        )


# --- from exports to rows ------------------------------------------------------------------------


def read_kind(group: Group, kind: str, keys: list[str], columns: list[str]) -> pd.DataFrame:
    """The rows that stand: the newest batch's for each key, less what a full export leaves out."""
    frames = [
        _read_file(file, keys + columns).assign(site=batch.parent.name, batch=batch.name)
        for batch in sorted(group.root.glob("exports/*/*"))
        for file in sorted(batch.glob(f"{kind}*"))
    ]
    rows = pd.concat(frames, ignore_index=True)
    newest = rows.groupby("site")["batch"].transform("max")
    withdrawn = rows["site"].isin(group.full_sites) & (rows["batch"] != newest)
    return rows[~withdrawn].drop_duplicates(["site", *keys], keep="last").drop(columns="batch")


def _read_file(file: Path, columns: list[str]) -> pd.DataFrame:
    if file.suffix == ".parquet":
        return pd.read_parquet(file, columns=columns)
    return pd.read_csv(file, usecols=columns, dtype=_text(columns))[columns]


def _text(columns: Iterable[str]) -> dict[str, str]:
    return {name: "str" for name in columns if name != "value" and name != "sessions_planned"}


def days(values: pd.Series) -> pd.Series:
    return pd.to_datetime(values).dt.tz_localize(None).astype("datetime64[s]")


# --- courses -------------------------------------------------------------------------------------


def treated_days(sessions: pd.DataFrame, group: Group) -> pd.DataFrame:
    """One row per patient and date, with the course it belongs to."""
    by_day = [*PATIENT, "session_date"]
    course_first = sessions.assign(rank=(sessions["purpose"] != "course").astype(int))
    dates = course_first.sort_values([*by_day, "rank"]).drop_duplicates(by_day)
    same_patient = (dates[PATIENT] == dates[PATIENT].shift()).all(axis=1)
    gap = dates["session_date"].diff().dt.days
    after_maintenance = dates["purpose"].shift() == "maintenance"
    is_course = dates["purpose"] == "course"
    opens = is_course & (
        ~same_patient | after_maintenance | (gap > group.numbers["course_gap_days"])
    )
    dates["course"] = opens.cumsum().where(is_course)
    dates["next_date"] = (
        dates["session_date"].shift(-1).where(same_patient.shift(-1, fill_value=False))
    )
    dates["next_purpose"] = dates["purpose"].shift(-1).where(dates["next_date"].notna())
    return dates


def courses_of(dates: pd.DataFrame, group: Group) -> pd.DataFrame:
    """One row per course: state, kind, period and what closed it; definitions 1 and 7."""
    in_course = dates[dates["course"].notna()]
    grouped = in_course.groupby("course")
    last = grouped.tail(1).set_index("course")
    courses = grouped.agg(
        site=("site", "first"),
        patient_id=("patient_id", "first"),
        protocol=("protocol", "first"),
        first_date=("session_date", "first"),
        last_date=("session_date", "last"),
        sessions=("session_date", "size"),
    )
    courses["maintenance_date"] = last["next_date"].where(last["next_purpose"] == "maintenance")
    courses["is_closed"] = last["next_date"].notna()
    courses = courses.reset_index()
    courses["person"] = courses["site"] + "/" + courses["patient_id"]  # ids repeat between sites
    courses["number"] = courses.groupby(PATIENT).cumcount() + 1
    courses["cutoff"] = courses["site"].map(cutoffs(group))
    courses = courses.merge(accepted_plans(courses, group), on="course", how="left")
    planned = courses["plan_sessions"].fillna(courses["protocol"].map(group.planned))
    gap = group.numbers["course_gap_days"]
    past_gap = (courses["cutoff"] - courses["last_date"]).dt.days > gap
    courses["state"] = np.select(
        [courses["sessions"] >= planned, ~courses["is_closed"] & ~past_gap],
        ["completed", "in_progress"],
        "stopped",
    )
    courses["is_mature"] = (courses["state"] != "in_progress") & past_gap
    ripe_until = courses["cutoff"] - pd.Timedelta(days=gap)
    year_before = ripe_until - pd.DateOffset(months=12)
    courses["recent"] = (courses["last_date"] > year_before) & (courses["last_date"] <= ripe_until)
    patients = read_kind(group, "patients", ["patient_id"], ["treated_before"])
    courses = courses.merge(patients, on=PATIENT, how="left")
    is_first = (courses["number"] == 1) & (
        courses["treated_before"].astype(str).str.lower() != "yes"
    )
    courses["course_kind"] = np.where(is_first, "first", "repeat")
    return courses


def cutoffs(group: Group) -> dict[str, pd.Timestamp]:
    """The last day of each site's newest batch."""
    newest = {site.name: max(batch.name for batch in site.iterdir()) for site in _sites(group)}
    return {site: pd.Period(batch, "M").end_time.floor("D") for site, batch in newest.items()}


def _sites(group: Group) -> list[Path]:
    return sorted(group.root.glob("exports/*"))


def accepted_plans(courses: pd.DataFrame, group: Group) -> pd.DataFrame:
    """The sessions of the latest plan accepted from 120 days before a course to its last date."""
    plans = read_kind(
        group, "plans", ["plan_id"], ["patient_id", "decided_on", "decision", "sessions_planned"]
    )
    plans = plans[plans["decision"] == "accepted"].assign(decided_on=days(plans["decided_on"]))
    both = courses.merge(plans, on=PATIENT)
    earliest = both["first_date"] - pd.Timedelta(days=group.numbers["course_gap_days"])
    fits = both["decided_on"].between(earliest, both["last_date"])
    latest = both[fits].sort_values(["course", "decided_on"]).drop_duplicates("course", keep="last")
    planned = pd.to_numeric(latest["sessions_planned"])
    return pd.DataFrame({"course": latest["course"], "plan_sessions": planned})


# --- evaluations ---------------------------------------------------------------------------------


def day_values(group: Group) -> pd.DataFrame:
    """The mean of a day's values of one measure and eye; nothing measured after treatment."""
    values = read_kind(
        group,
        "outcomes",
        ["outcome_id"],
        ["patient_id", "assessed_date", "eye", "measure", "value", "timing"],
    )
    values = values[values["timing"] != "after_treatment"]
    values = values.assign(value=values["value"].astype(float), date=days(values["assessed_date"]))
    means = values.groupby([*PATIENT, "measure", "eye", "date"], sort=False)["value"].mean()
    return means.round(6).reset_index()


def within(units: pd.DataFrame, values: pd.DataFrame, low: str, high: str) -> pd.DataFrame:
    """Each unit's values dated from its `low` day to its `high` day."""
    both = units.merge(values, on=[*PATIENT, "eye"])
    return both[(both["date"] >= both[low]) & (both["date"] <= both[high])]


def baselines(units: pd.DataFrame, values: pd.DataFrame, group: Group) -> pd.Series:
    earliest = units["first_date"] - pd.Timedelta(days=group.numbers["baseline_days"])
    near = within(units.assign(earliest=earliest), values, "earliest", "first_date")
    latest = near.sort_values("date").drop_duplicates("unit", keep="last")
    return latest.set_index("unit")["value"]


def finals(units: pd.DataFrame, values: pd.DataFrame, group: Group) -> pd.Series:
    numbers = group.numbers
    from_day = units["last_date"] + pd.Timedelta(days=numbers["settle_days"])
    to_day = units["last_date"] + pd.Timedelta(days=numbers["followup_days"])
    to_day = to_day.where(~(units["maintenance_date"] < to_day), units["maintenance_date"])
    near = within(units.assign(from_day=from_day, to_day=to_day), values, "from_day", "to_day")
    target = near["last_date"] + pd.Timedelta(days=numbers["target_day"])
    near = near.assign(distance=(near["date"] - target).abs())
    nearest = near.sort_values(["distance", "date"], ascending=[True, False])
    return nearest.drop_duplicates("unit").set_index("unit")["value"]


def units_of(rule: Rule, courses: pd.DataFrame, sessions: pd.DataFrame) -> pd.DataFrame:
    """What a rule judges: courses, or the treated eyes of each."""
    if not rule.eyes:
        return courses.assign(eye="both", unit=courses["course"])
    treated = sessions.drop_duplicates(["course", "eye"])[["course", "eye"]]
    units = treated.merge(courses, on="course")
    return units.assign(unit=units["course"] * 2 + (units["eye"] == "left"))


def amounts(rule: Rule, units: pd.DataFrame) -> pd.Series:
    """The improvement that counts as a response, none where the rule does not apply."""
    baseline = units["baseline"]
    if rule.name == "symptoms":
        by_band = {"mild": 7.3, "moderate": 7.3, "severe": 13.4}
        return units["symptoms"].astype(str).map(by_band).astype(float)
    if rule.name == "tear_film":
        return pd.Series(np.where(baseline < 10, 2.0, np.nan), units.index)
    return pd.Series(np.where(baseline <= 40, 5.0, np.nan), units.index)


def by_session(
    rule: Rule, units: pd.DataFrame, sessions: pd.DataFrame, values: pd.DataFrame
) -> pd.DataFrame:
    """One row per unit and session number: the improvement at its evaluation, if there is one."""
    dates = sessions if rule.eyes else sessions.drop_duplicates(["course", "session_date"])
    dates = dates.assign(eye=dates["eye"] if rule.eyes else "both")[
        ["course", "eye", "session_date"]
    ]
    keep = ["unit", "course", "eye", *PATIENT, "baseline", "final", "amount"]
    steps = units[keep].merge(dates, on=["course", "eye"]).sort_values(["unit", "session_date"])
    steps["k"] = steps.groupby("unit").cumcount() + 1
    steps["next_date"] = steps.groupby("unit")["session_date"].shift(-1)
    steps["step"] = np.arange(len(steps))
    after = steps.assign(from_day=steps["session_date"] + pd.Timedelta(days=1))
    seen = within(after[after["next_date"].notna()], values, "from_day", "next_date")
    latest = (
        seen.sort_values("date").drop_duplicates("step", keep="last").set_index("step")["value"]
    )
    value = steps["step"].map(latest).where(steps["next_date"].notna(), steps["final"])
    steps["improvement"] = (rule.sign * (value - steps["baseline"])).round(6)
    steps["measured"] = steps["improvement"].notna()
    steps["responding"] = steps["improvement"] >= steps["amount"]
    steps["worsened"] = steps["improvement"] <= -steps["amount"]
    return steps


# --- gradings and totals -------------------------------------------------------------------------


def band(values: pd.Series, bands: tuple[list[float], list[str]]) -> pd.Series:
    named = pd.cut(values, bands[0], labels=bands[1], right=False)
    return named.astype(object).where(values.notna(), "unknown")


def clinicians_grades(courses: pd.DataFrame, group: Group) -> pd.Series:
    visits = read_kind(
        group, "visits", ["visit_id"], ["patient_id", "visit_date", "severity_grade"]
    )
    visits = visits.assign(
        date=days(visits["visit_date"]),
        rank=visits["severity_grade"].map({grade: n for n, grade in enumerate(GRADES)}),
    )
    visits = visits[visits["rank"].notna()]
    earliest = courses["first_date"] - pd.Timedelta(days=group.numbers["baseline_days"])
    both = courses.assign(earliest=earliest).merge(visits, on=PATIENT)
    both = both[both["date"].between(both["earliest"], both["first_date"])]
    latest = both.sort_values(["date", "rank"]).drop_duplicates("course", keep="last")
    return courses["course"].map(latest.set_index("course")["severity_grade"]).fillna("unknown")


def graded(rows: pd.DataFrame, rule: Rule) -> pd.DataFrame:
    """Every row once for each grading of its severity."""
    gradings = ["symptoms", "clinician", *(["glands"] if rule.eyes else [])]
    return pd.concat(
        [rows.assign(grading=grading, grade=rows[grading]) for grading in gradings],
        ignore_index=True,
    )


def totals(rows: pd.DataFrame, dimensions: Sequence[str]) -> Iterator[pd.DataFrame]:
    """The rows once for each choice of dimensions that are totalled as `all`."""
    for is_all in product([False, True], repeat=len(dimensions)):
        chosen = [name for name, total in zip(dimensions, is_all, strict=True) if total]
        yield rows.assign(**dict.fromkeys(chosen, "all"))


def wilson(rate: pd.Series, n: pd.Series) -> tuple[pd.Series, pd.Series]:
    middle = (rate + Z**2 / (2 * n)) / (1 + Z**2 / n)
    half = Z / (1 + Z**2 / n) * np.sqrt(rate * (1 - rate) / n + Z**2 / (4 * n**2))
    return middle - half, middle + half


def clustered(rows: pd.DataFrame, grain: list[str], events: str, of: str) -> pd.DataFrame:
    """The share of `events` in `of` with its limits at the effective sample size; definition 11."""
    patients = rows.groupby([*grain, "person"], sort=False)[[events, of]].sum().reset_index()
    patients = patients[patients[of] > 0]
    sums = patients.groupby(grain)[[events, of]].sum()
    sums["m"] = patients.groupby(grain).size()
    p, n, m = sums[events] / sums[of], sums[of], sums["m"]
    joined = patients.join(p.rename("p"), on=grain)
    joined["square"] = (joined[events] - joined["p"] * joined[of]) ** 2
    variance = joined.groupby(grain)["square"].sum() / n**2 * m / (m - 1)
    simple = p * (1 - p) / (n - 1)
    effective = np.minimum(n, n * simple / variance)
    degenerate = (m == 1) | np.isclose(variance, 0, atol=1e-15)
    low, high = wilson(p, effective.where(~degenerate, m).astype(float))
    return pd.DataFrame({"share": p, "low": low, "high": high})


def response_by_grade(judged: pd.DataFrame) -> pd.DataFrame:
    mature = judged[judged["is_mature"]]
    mature = mature.assign(period=np.where(mature["recent"], "last_12_months", "earlier"))
    grain = ["rule", "grading", "grade", "site", "protocol", "course_kind", "period"]
    tables = []
    for rows in totals(mature, grain[2:]):
        grouped = rows.groupby(grain)
        table = grouped[[*COUNTS, "worsened"]].sum()
        table["patients"] = rows.drop_duplicates([*grain, "person"]).groupby(grain).size()
        evaluable = rows[rows["evaluable"] == 1].groupby(grain)["improvement"]
        table["mean_improvement"] = evaluable.mean()
        table["median_improvement"] = evaluable.median()
        share = clustered(rows, grain, "responders", "evaluable")
        table[["response_rate", "rate_low", "rate_high"]] = share
        tables.append(table)
    table = pd.concat(tables).reset_index()
    applicable = (table["courses"] - table["not_applicable"]).replace(0, np.nan)
    table["rate_if_missing_failed"] = table["responders"] / applicable
    table["rate_if_missing_responded"] = (table["responders"] + table["not_measured"]) / applicable
    return table[table["course_kind"].isin(["first", "all"]) & (table["period"] != "earlier")]


def response_at_session(begun: pd.DataFrame, steps: pd.DataFrame, group: Group) -> pd.DataFrame:
    grain = ["rule", "grading", "grade", "site", "protocol", "course_kind", "session_number"]
    last = max(group.planned.values())
    numbered = begun.merge(pd.DataFrame({"session_number": range(1, last + 1)}), how="cross")
    seen = steps.rename(columns={"k": "session_number"}).assign(treated=True)
    flags = ["treated", "measured", "responding", "worsened"]
    rows = numbered.drop(columns=["worsened"]).merge(
        seen[["rule", "unit", "session_number", *flags]],
        on=["rule", "unit", "session_number"],
        how="left",
    )
    rows[flags] = rows[flags].eq(True).astype(int)
    rows["stopped"] = ((rows["state"] == "stopped") & (rows["treated"] == 0)).astype(int)
    rows["begun"] = 1
    tables = []
    for total in totals(rows, grain[2:6]):
        table = total.groupby(grain)[["begun", *flags, "stopped"]].sum()
        share = clustered(total, grain, "responding", "begun")
        table[["response_share", "share_low", "share_high"]] = share
        tables.append(table)
    return _to_the_plan(pd.concat(tables).reset_index(), group)


def _to_the_plan(table: pd.DataFrame, group: Group) -> pd.DataFrame:
    ends = group.planned | {"all": min(group.planned.values())}
    kinds = table["course_kind"].isin(["first", "all"])
    return table[kinds & (table["session_number"] <= table["protocol"].map(ends))]


def sessions_to_response(begun: pd.DataFrame, steps: pd.DataFrame, group: Group) -> pd.DataFrame:
    """Kaplan-Meier by lifelines, and the cumulative incidence from its at-risk table."""
    timed = begun.merge(first_responses(steps), on=["rule", "unit"], how="left")
    stopped = timed["state"] == "stopped"
    responded = timed["first"].notna()
    timed["time"] = (
        timed["first"]
        .fillna(timed["last"])
        .where(responded | timed["last"].notna(), np.where(stopped, 1.0, np.nan))
    )
    timed["responded"] = responded.astype(int)
    timed["stopped"] = (~responded & stopped).astype(int)
    timed["censored"] = (~responded & ~stopped).astype(int)
    timed = timed[timed["time"].notna()]
    grain = ["rule", "grading", "grade", "site", "protocol", "course_kind"]
    curves = [
        _curve(cell, group.planned | {"all": min(group.planned.values())}).assign(
            **dict(zip(grain, key, strict=True))
        )
        for rows in totals(timed, grain[2:])
        for key, cell in rows[rows["course_kind"].isin(["first", "all"])].groupby(grain)
    ]
    return pd.concat(curves, ignore_index=True)


def first_responses(steps: pd.DataFrame) -> pd.DataFrame:
    """The first confirmed response of each unit, and the last session at which it was seen."""
    seen = steps[steps["measured"]].sort_values(["rule", "unit", "k"])
    following = seen.groupby(["rule", "unit"])["responding"].shift(-1)
    confirmed = seen["responding"] & following.isna() | (seen["responding"] & following.eq(True))
    last = seen.groupby(["rule", "unit"])["k"].max()
    first = seen[confirmed].groupby(["rule", "unit"])["k"].min()
    return pd.DataFrame({"last": last, "first": first}).reset_index()


def _curve(cell: pd.DataFrame, ends: dict[str, int]) -> pd.DataFrame:
    fitted = KaplanMeierFitter().fit(cell["time"], cell["responded"])
    sessions = np.arange(1, ends[cell["protocol"].iloc[0]] + 1)
    at_risk = np.array([(cell["time"] >= k).sum() for k in sessions])
    happened = {
        name: np.array([cell.loc[cell["time"] == k, name].sum() for k in sessions])
        for name in ("responded", "stopped", "censored")
    }
    free = np.cumprod(1 - (happened["responded"] + happened["stopped"]) / np.maximum(at_risk, 1))
    before = np.concatenate([[1.0], free[:-1]])
    incidence = np.cumsum(before * happened["responded"] / np.maximum(at_risk, 1))
    not_yet = fitted.survival_function_at_times(sessions).to_numpy()
    says_nothing = (at_risk == 0) & (not_yet > 0)
    return pd.DataFrame(
        {
            "session_number": sessions,
            "at_risk": at_risk,
            **happened,
            "not_yet": np.where(says_nothing, np.nan, not_yet),
            "responded_by": np.where(says_nothing, np.nan, 1 - not_yet),
            "incidence": np.where(says_nothing, np.nan, incidence),
        }
    )


# --- all of it -----------------------------------------------------------------------------------


def judge(
    rule: Rule,
    courses: pd.DataFrame,
    sessions: pd.DataFrame,
    values: pd.DataFrame,
    group: Group,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Every unit with its outcome at the end, and every session's evaluation."""
    units = units_of(rule, courses, sessions)
    of_measure = values[values["measure"] == rule.measure].drop(columns="measure")
    units["baseline"] = units["unit"].map(baselines(units, of_measure, group))
    units["final"] = units["unit"].map(finals(units, of_measure, group))
    if rule.eyes:
        quality = values[values["measure"] == "meibum_quality"].drop(columns="measure")
        units["glands"] = band(units["unit"].map(baselines(units, quality, group)), GLAND_BANDS)
    units["amount"] = amounts(rule, units)
    units["improvement"] = (rule.sign * (units["final"] - units["baseline"])).round(6)
    begun = units["baseline"].notna()
    units["courses"] = 1
    units["not_applicable"] = (begun & units["amount"].isna()).astype(int)
    evaluable = units["improvement"].notna() & units["amount"].notna()
    units["evaluable"] = evaluable.astype(int)
    units["not_measured"] = 1 - units["evaluable"] - units["not_applicable"]
    units["responders"] = (evaluable & (units["improvement"] >= units["amount"])).astype(int)
    units["worsened"] = (evaluable & (units["improvement"] <= -units["amount"])).astype(int)
    units["unchanged"] = units["evaluable"] - units["responders"] - units["worsened"]
    judged = graded(units.assign(rule=rule.name), rule)
    steps = by_session(rule, units[units["amount"].notna()], sessions, of_measure)
    return judged, steps.assign(rule=rule.name)


def card_tables(root: Path) -> dict[str, pd.DataFrame]:
    """The three tables from the exports in a workspace."""
    group = Group.read(root)
    sessions = read_kind(
        group,
        "sessions",
        ["session_id", "eye"],
        ["patient_id", "session_date", "purpose", "protocol"],
    )
    sessions["session_date"] = days(sessions["session_date"])
    dates = treated_days(sessions, group)
    courses = courses_of(dates, group)
    values = day_values(group)
    symptoms = values[values["measure"] == "osdi"].drop(columns="measure")
    as_units = courses.assign(eye="both", unit=courses["course"])
    courses["symptoms"] = band(
        courses["course"].map(baselines(as_units, symptoms, group)), SYMPTOM_BANDS
    )
    courses["clinician"] = clinicians_grades(courses, group)
    of_courses = sessions[sessions["purpose"] == "course"].merge(
        dates[[*PATIENT, "session_date", "course"]].dropna(), on=[*PATIENT, "session_date"]
    )
    of_courses = of_courses.drop_duplicates(["course", "session_date", "eye"])
    judged_and_steps = [judge(rule, courses, of_courses, values, group) for rule in RULES]
    judged = pd.concat([judged for judged, _ in judged_and_steps], ignore_index=True)
    steps = pd.concat([steps for _, steps in judged_and_steps], ignore_index=True)
    begun = judged[judged["is_mature"] & judged["amount"].notna()]
    return {
        "response_by_grade": response_by_grade(judged),
        "response_at_session": response_at_session(begun, steps, group),
        "sessions_to_response": sessions_to_response(begun, steps, group),
    }
