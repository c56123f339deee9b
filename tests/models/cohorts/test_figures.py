"""The published figures, worked out anew in polars, numpy, statsmodels and lifelines.

Each test starts from the tables of `courses` and goes another way than the SQL: patient by patient,
cell by cell.
"""

from collections.abc import Iterator, Mapping
from itertools import product
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest
from lifelines import KaplanMeierFitter  # type: ignore[import-untyped]
from scipy import integrate, stats  # type: ignore[import-untyped]
from statsmodels.stats.proportion import proportion_confint  # type: ignore[import-untyped]

Warehouse = duckdb.DuckDBPyConnection
Cell = tuple[Any, ...]

GRADES = {
    "symptoms": "symptoms_band",
    "clinician": "clinician_grade",
    "glands": "glands_stage",
}
CELL = ["rule", "grading", "grade", "site", "protocol", "course_kind"]
EVALUABLE = ("responder", "unchanged", "worsened")


@pytest.fixture
def begun(demo_warehouse: Warehouse) -> pl.DataFrame:
    """Mature courses, or eyes, with a baseline to which the rule applies."""
    rows: pl.DataFrame = demo_warehouse.sql(
        """
        select responses.*, courses.state
        from courses.responses inner join courses.courses using (course_id)
        where responses.is_mature and baseline is not null and outcome <> 'not_applicable'
        """
    ).pl()
    return rows


def cells(rows: pl.DataFrame, *more: str) -> Iterator[tuple[Cell, pl.DataFrame]]:
    """Each cell of the published grain with its rows, totals included."""
    for grading, column in GRADES.items():
        graded = rows.filter(pl.col(column).is_not_null()).with_columns(
            pl.lit(grading).alias("grading"), pl.col(column).alias("grade")
        )
        dimensions = ["grade", "site", "protocol", "course_kind", *more]
        for totalled in product((False, True), repeat=len(dimensions)):
            every = [name for name, is_all in zip(dimensions, totalled, strict=True) if is_all]
            with_totals = graded.with_columns(pl.lit("all").alias(name) for name in every)
            yield from (
                (cell, some)
                for cell, some in with_totals.group_by("rule", "grading", *dimensions)
                if cell[5] in ("first", "all")
            )


def published(warehouse: Warehouse, query: str) -> dict[Cell, dict[str, Any]]:
    rows = warehouse.sql(query).pl().to_dicts()
    return {tuple(row[name] for name in CELL): row for row in rows}


def wilson_by_patient(rows: pl.DataFrame, events: pl.Expr) -> tuple[float, float]:
    """Wilson at the effective sample size, from the definition's own words."""
    marked = rows.select("patient_key", events.cast(pl.Float64).alias("event"))
    rate, n = float(marked["event"].to_numpy().mean()), marked.height
    patients = marked.group_by("patient_key").agg((pl.col("event") - rate).sum().alias("excess"))
    m = patients.height
    variance = (patients["excess"].to_numpy() ** 2).sum() / n**2 * m / (m - 1) if m > 1 else 0.0
    if variance < 1e-15:
        effective = float(m)
    else:
        effective = min(n, n * (rate * (1 - rate) / (n - 1)) / variance)
    low, high = proportion_confint(rate * effective, effective, method="wilson")  # statsmodels 0.14
    return float(low), float(high)


@pytest.mark.parametrize("period", ["all", "last_12_months"])
def test_response_by_grade(demo_warehouse: Warehouse, period: str) -> None:
    mature = demo_warehouse.sql("select * from courses.responses where is_mature").pl()
    if period == "last_12_months":
        mature = mature.filter("in_last_12_months")
    found = published(
        demo_warehouse, f"select * from cohorts.response_by_grade where period = '{period}'"
    )
    seen = set()
    for cell, rows in cells(mature):
        row = found[cell]
        seen.add(cell)
        outcomes = dict(rows["outcome"].value_counts().iter_rows())
        evaluable = rows.filter(pl.col("outcome").is_in(EVALUABLE))
        assert row["courses"] == rows.height
        assert row["patients"] == rows["patient_key"].n_unique()
        for outcome, column in (
            ("responder", "responders"),
            ("unchanged", "unchanged"),
            ("worsened", "worsened"),
            ("not_measured", "not_measured"),
            ("not_applicable", "not_applicable"),
        ):
            assert row[column] == outcomes.get(outcome, 0)
        rates = ["response_rate", "rate_low", "rate_high", "mean_improvement", "other_treatment"]
        if evaluable.is_empty():
            assert [row[name] for name in (*rates, "median_improvement")] == [None] * 6
            continue
        improvement = evaluable["improvement"].cast(pl.Float64)
        low, high = wilson_by_patient(evaluable, pl.col("outcome") == "responder")
        expected = [
            (evaluable["outcome"] == "responder").mean(),
            low,
            high,
            improvement.mean(),
            evaluable["other_treatment"].mean(),
        ]
        assert [row[name] for name in rates] == pytest.approx(expected, abs=1e-9)
        assert row["median_improvement"] == pytest.approx(improvement.median(), abs=1e-9)
        applicable = rows.height - row["not_applicable"]
        assert row["rate_if_missing_failed"] == pytest.approx(row["responders"] / applicable)
        assert row["rate_if_missing_responded"] == pytest.approx(
            (row["responders"] + row["not_measured"]) / applicable
        )
    assert seen == set(found)


@pytest.mark.parametrize(
    ("rule", "measure", "direction"),
    [
        ("symptoms", "osdi", 1),
        ("tear_film", "break_up_time", -1),
        ("glands", "gland_secretion", -1),
    ],
)
def test_what_noise_alone_would_give(
    demo_warehouse: Warehouse, begun: pl.DataFrame, rule: str, measure: str, direction: int
) -> None:
    mean, spread, reliability = noise_before_treatment(demo_warehouse, measure)
    found_noise = demo_warehouse.sql(
        f"select mean, spread, reliability from courses.measurement_noise where rule = '{rule}'"
    ).fetchall()
    assert found_noise == [pytest.approx((mean, spread, reliability), abs=1e-9)]

    of_rule = begun.filter(pl.col("rule") == rule)
    evaluable = of_rule.filter(pl.col("outcome").is_in(EVALUABLE))
    baseline = direction * evaluable["baseline"].cast(pl.Float64).to_numpy()
    back = (1 - reliability) * (baseline - direction * mean)
    by_noise = stats.norm.cdf(
        (back - evaluable["threshold"].cast(pl.Float64).to_numpy())
        / (spread * np.sqrt(1 - reliability**2))
    ).mean()
    every = "grading = 'symptoms' and grade = 'all' and site = 'all' and course_kind = 'all'"
    [found] = demo_warehouse.sql(
        f"select rate_by_noise, regression_alone from cohorts.response_by_grade "
        f"where rule = '{rule}' and protocol = 'all' and period = 'all' and {every}"
    ).fetchall()
    assert found == pytest.approx((by_noise, back.mean()), abs=1e-7)

    def passes_at_once(baseline: float, amount: float, sessions: int) -> float:
        """Passing at session 1, and at 2 where there is one, integrated over the true value."""
        middle = direction * mean + reliability * (baseline - direction * mean)
        width = spread * np.sqrt(reliability * (1 - reliability))
        noise = spread * np.sqrt(1 - reliability)
        return float(
            integrate.quad(
                lambda true: (
                    stats.norm.pdf(true, middle, width)
                    * stats.norm.cdf((baseline - amount - true) / noise) ** min(sessions, 2)
                ),
                middle - 10 * width,
                middle + 10 * width,
            )[0]
        )

    few = of_rule.select("baseline", "threshold", "sessions").group_by(pl.all()).len()
    chances = [
        passes_at_once(direction * float(start), float(amount), sessions)
        for start, amount, sessions, _ in few.iter_rows()
    ]
    [(by_chance,)] = demo_warehouse.sql(
        f"select by_chance from cohorts.sessions_to_response "
        f"where rule = '{rule}' and protocol = 'all' and session_number = 1 and {every}"
    ).fetchall()
    assert by_chance == pytest.approx(np.average(chances, weights=few["len"]), abs=1e-7)


def noise_before_treatment(warehouse: Warehouse, measure: str) -> tuple[float, float, float]:
    """Mean and spread of first values, and the correlation of first and second ones."""
    values = warehouse.sql(
        f"""
        select site, patient_key, eye, assessed_date, avg(value) as value, first_session is null
            as untreated
        from staging.stg_outcomes
        left join (
            select site, patient_key, min(session_date) as first_session
            from courses.sessions group by all
        ) using (site, patient_key)
        where measure = '{measure}' and timing is distinct from 'after_treatment'
            and (first_session is null or assessed_date <= first_session)
        group by all
        order by assessed_date
        """
    ).pl()
    each = values.group_by("site", "patient_key", "eye", maintain_order=True).agg(
        pl.col("value").first().alias("first"),
        pl.col("value").get(1, null_on_oob=True).alias("second"),
        pl.col("untreated").first(),
    )
    sites = each.filter("untreated")["site"].unique()
    first = each.filter(pl.col("site").is_in(sites.to_list()))["first"].to_numpy()
    twice = each.filter(pl.col("second").is_not_null())
    assert twice["patient_key"].n_unique() >= 30
    reliability = np.corrcoef(twice["first"].to_numpy(), twice["second"].to_numpy())[0, 1]
    return float(first.mean()), float(first.std(ddof=1)), float(reliability)


def test_response_at_session(demo_warehouse: Warehouse, begun: pl.DataFrame) -> None:
    seen = demo_warehouse.sql("select * from courses.session_responses").pl()
    ends = table_ends(demo_warehouse)
    found = demo_warehouse.sql("select * from cohorts.response_at_session").pl()
    checked = 0
    for number in range(1, max(ends.values()) + 1):
        at_k = begun.join(
            seen.filter(pl.col("session_number") == number),
            on=["course_id", "rule", "eye"],
            how="left",
        )
        rows_at_k = {
            tuple(row[name] for name in CELL): row
            for row in found.filter(pl.col("session_number") == number).to_dicts()
        }
        for cell, rows in cells(at_k):
            if ends[cell[4]] < number:
                continue
            row = rows_at_k[cell]
            treated = rows["session_number"].is_not_null()
            responding = pl.col("responding").fill_null(value=False)
            assert row["begun"] == rows.height
            assert row["treated"] == treated.sum()
            assert row["measured"] == rows["measured"].sum()
            assert row["responding"] == rows["responding"].sum()
            assert row["worsened"] == rows["worsened"].sum()
            assert row["stopped"] == ((rows["state"] == "stopped") & ~treated).sum()
            low, high = wilson_by_patient(rows, responding)
            assert (row["response_share"], row["share_low"], row["share_high"]) == pytest.approx(
                (row["responding"] / rows.height, low, high), abs=1e-9
            )
            checked += 1
    assert checked == found.height


def test_sessions_to_response(demo_warehouse: Warehouse, begun: pl.DataFrame) -> None:
    times = first_responses(demo_warehouse, begun)
    ends = table_ends(demo_warehouse)
    found = demo_warehouse.sql("select * from cohorts.sessions_to_response").pl()
    rows_of: dict[Cell, dict[int, dict[str, Any]]] = {}
    for row in found.to_dicts():
        cell = tuple(row[name] for name in CELL)
        rows_of.setdefault(cell, {})[row["session_number"]] = row
    seen = set()
    for cell, rows in cells(times):
        seen.add(cell)
        time, cause = rows["time"].to_numpy(), rows["cause"].to_numpy()
        curve = KaplanMeierFitter().fit(time, cause == "responded")  # lifelines 0.30.3
        jackknife = Jackknife(time, cause, rows["patient_key"].to_numpy())
        assert set(rows_of[cell]) == set(range(1, ends[cell[4]] + 1))
        for k, row in rows_of[cell].items():
            at_risk = int((time >= k).sum())
            assert row["at_risk"] == at_risk
            for name in ("responded", "stopped", "censored"):
                assert row[name] == ((time == k) & (cause == name)).sum()
            if at_risk == 0:
                assert row["not_yet"] in (None, 0)
                continue
            survival = float(curve.survival_function_at_times(k).iloc[0])
            assert row["not_yet"] == pytest.approx(survival, abs=1e-9)
            assert row["responded_by"] == pytest.approx(1 - survival, abs=1e-9)
            assert row["incidence"] == pytest.approx(jackknife.incidence(k), abs=1e-9)
            if cell[3] != "all":
                continue  # errors take long, one clinic's no other way than all clinics'
            if survival > 1e-9:
                error = jackknife.error(jackknife.survival, k)
                assert row["not_yet_se"] == pytest.approx(error, abs=1e-5)
                if survival < 1:
                    assert_log_log(row["not_yet_low"], row["not_yet_high"], survival, error)
            else:
                assert row["not_yet_se"] is None
            if 0 < row["incidence"] < 1 - 1e-9:
                error = jackknife.error(jackknife.incidence, k)
                low, high = 1 - row["incidence_high"], 1 - row["incidence_low"]
                assert_log_log(low, high, 1 - row["incidence"], error)
    assert seen == set(rows_of)


def test_lifelines_limits_where_patients_give_one_row(
    demo_warehouse: Warehouse, begun: pl.DataFrame
) -> None:
    """Without clusters the jackknife is Greenwood's error, and the limits are lifelines' own."""
    times = first_responses(demo_warehouse, begun.filter(pl.col("rule") == "symptoms"))
    found = demo_warehouse.sql(
        """
        select session_number, not_yet_low, not_yet_high from cohorts.sessions_to_response
        where rule = 'symptoms' and grading = 'symptoms' and grade = 'all' and site = 'all'
            and protocol = 'all' and course_kind = 'first' and not_yet_low is not null
        """
    ).fetchall()
    first = times.filter(pl.col("course_kind") == "first")
    curve = KaplanMeierFitter().fit(first["time"].to_numpy(), first["cause"] == "responded")
    limits = curve.confidence_interval_survival_function_
    assert found
    for k, low, high in found:
        assert (low, high) == pytest.approx(tuple(limits.loc[float(k)]), abs=1e-9)


def test_maintenance_adherence(demo_warehouse: Warehouse) -> None:
    intervals = demo_warehouse.sql(
        "select *, symptoms_band as grade from courses.maintenance_intervals"
    ).pl()
    found = {
        (row["site"], row["protocol"], row["grade"]): row
        for row in demo_warehouse.sql("select * from cohorts.maintenance_adherence").pl().to_dicts()
    }
    for totalled in product((False, True), repeat=3):
        names = ("site", "protocol", "grade")
        every = [name for name, is_all in zip(names, totalled, strict=True) if is_all]
        with_totals = intervals.with_columns(pl.lit("all").alias(name) for name in every)
        for cell, rows in with_totals.group_by(*names):
            row = found.pop(cell)
            judged = rows.filter(pl.col("judged_status").is_not_null())
            assert row["intervals"] == rows.height
            assert row["judged"] == judged.height
            if judged.is_empty():
                assert row["adherence"] is None
                assert row["adherence_low"] is None
                continue
            on_time = pl.col("judged_status") == "on_time"
            low, high = wilson_by_patient(judged, on_time)
            found_rate = (row["adherence"], row["adherence_low"], row["adherence_high"])
            assert found_rate == pytest.approx(
                (judged.select(on_time.mean()).item(), low, high), abs=1e-9
            )
    assert found == {}


def test_maintenance_return(demo_warehouse: Warehouse) -> None:
    intervals = demo_warehouse.sql(
        """
        select site, protocol,
            coalesce(date_diff('day', started_on, left_on), days) as time,
            case
                when left_on is not null or status = 'new_course' then 'competed'
                when status in ('early', 'on_time', 'late') then 'returned'
                else 'open'
            end as cause
        from courses.maintenance_intervals
        """
    ).pl()
    found = demo_warehouse.sql("select * from cohorts.maintenance_return").pl().to_dicts()
    for row in found:
        rows = intervals.filter(
            pl.lit(row[name] == "all") | (pl.col(name) == row[name])
            for name in ("site", "protocol")
        )
        now = rows.filter(pl.col("time") == row["days"])
        assert row["at_risk"] == rows.filter(pl.col("time") >= row["days"]).height
        assert row["returned"] == now.filter(pl.col("cause") == "returned").height > 0
    group = intervals.sort("time")
    curve = {
        row["days"]: row["returned_by"]
        for row in found
        if row["site"] == "all" and row["protocol"] == "all"
    }
    left, waiting, returned = group.height, 1.0, 0.0
    for (day,), now in group.group_by("time", maintain_order=True):
        came = (now["cause"] == "returned").sum()
        returned += waiting * came / left
        waiting *= 1 - (now["cause"] != "open").sum() / left
        left -= now.height
        if came:
            assert curve.pop(day) == pytest.approx(returned, abs=1e-9)
    assert curve == {}


ESTIMANDS = ("lost_or_retreated", "until_retreatment", "whatever_followed")


@pytest.mark.parametrize("estimand", ESTIMANDS)
def test_durability(demo_warehouse: Warehouse, estimand: str) -> None:
    followed = lost_days(demo_warehouse, estimand)
    found = demo_warehouse.sql(
        f"select * from cohorts.durability where estimand = '{estimand}'"
    ).pl()
    checked = 0
    cells_of_table = ["rule", "grading", "grade", "site", "protocol"]
    every_kind = followed.with_columns(pl.lit("all").alias("course_kind"))
    for cell, rows in {cell[:5]: rows for cell, rows in cells(every_kind)}.items():
        entry, time = rows["entry"].to_numpy(), rows["time"].to_numpy()
        lost = rows["lost"].to_numpy()
        holding, last_day = 1.0, -1
        shown = found.filter(
            pl.all_horizontal(
                pl.col(name) == value for name, value in zip(cells_of_table, cell, strict=True)
            )
        ).sort("days")
        assert shown["days"].to_list() == sorted(set(time[lost & (entry < time)]))
        for row in shown.to_dicts():
            day = row["days"]
            at_risk = int(((entry < day) & (day <= time)).sum())
            events = int((lost & (time == day) & (entry < day)).sum())
            holding *= 1 - events / at_risk
            gone = ~lost & (entry < time) & (last_day < time) & (time <= day)
            assert (row["at_risk"], row["lost"], row["censored"]) == (at_risk, events, gone.sum())
            assert row["holding"] == pytest.approx(holding, abs=1e-9)
            last_day = day
            checked += 1
    assert checked == found.height


WITHHELD = ("difference", "difference_low", "difference_high", "mh_difference", "p_value")


def test_protocols_in_their_joint_mix(demo_warehouse: Warehouse) -> None:
    evaluable = demo_warehouse.sql(
        f"select *, outcome = 'responder' as responds from courses.responses "
        f"where is_mature and outcome in {EVALUABLE}"
    ).pl()
    found = demo_warehouse.sql("select * from cohorts.protocol_comparison").pl().to_dicts()
    assert found
    for row in found:
        pair = [row["protocol"], row["reference_protocol"]]
        rows = evaluable.filter((pl.col("rule") == row["rule"]) & pl.col("protocol").is_in(pair))
        arms = [rows.filter(pl.col("protocol") == protocol) for protocol in pair]
        assert row["evaluable"] == arms[0].height
        assert row["crude_rate"] == arms[0]["responds"].mean()
        assert row["reference_crude_rate"] == arms[1]["responds"].mean()
        bands = set(arms[0]["symptoms_band"]) & set(arms[1]["symptoms_band"]) - {"unknown"}
        overlap = rows.filter(pl.col("symptoms_band").is_in(bands))
        mix = dict(overlap["symptoms_band"].value_counts(normalize=True).iter_rows())
        rates = [
            sum(
                share * arm.filter(pl.col("symptoms_band") == band)["responds"].mean()
                for band, share in mix.items()
            )
            for arm in arms
        ]
        standardised = (row["standardised_rate"], row["reference_standardised_rate"])
        assert standardised == pytest.approx(rates, abs=1e-9)
        assert row["share_in_overlap"] == pytest.approx(overlap.height / rows.height)
        if row["comparable"]:
            assert row["difference"] == pytest.approx(rates[0] - rates[1], abs=1e-9)
        else:
            withheld = (
                "difference",
                "difference_low",
                "difference_high",
                "mh_difference",
                "p_value",
            )
            assert [row[name] for name in withheld] == [None] * 5


def test_sites_against_all_others(demo_warehouse: Warehouse) -> None:
    evaluable = demo_warehouse.sql(
        f"select *, outcome = 'responder' as responds from courses.responses "
        f"where is_mature and outcome in {EVALUABLE}"
    ).pl()
    found = demo_warehouse.sql("select * from cohorts.site_comparison").pl().to_dicts()
    assert found
    for row in found:
        rows = evaluable.filter(pl.col("rule") == row["rule"])
        here = rows.filter(pl.col("site") == row["site"])
        elsewhere = rows.filter(pl.col("site") != row["site"])
        rates = dict(
            elsewhere.filter(pl.col("symptoms_band") != "unknown")
            .group_by("symptoms_band")
            .agg(pl.col("responds").mean())
            .iter_rows()
        )
        alike = here.filter(pl.col("symptoms_band").is_in(list(rates)))
        assert row["evaluable"] == here.height
        assert row["observed"] == alike["responds"].sum()
        expected = sum(rates[band] for band in alike["symptoms_band"])
        assert row["expected"] == pytest.approx(expected, abs=1e-9)
        assert row["low_998"] <= row["low_95"] <= 1 <= row["high_95"] <= row["high_998"]


def lost_days(warehouse: Warehouse, estimand: str) -> pl.DataFrame:
    """Definition 10, response by response: `entry`, `time` in days, and whether it was `lost`."""
    responders: pl.DataFrame = warehouse.sql(
        """
        select responses.*, courses.last_date, courses.next_course_date
        from courses.responses inner join courses.courses using (course_id)
        where responses.is_mature and outcome = 'responder'
        order by course_id, rule, eye
        """
    ).pl()
    values: dict[Cell, dict[Any, list[float]]] = {}
    for patient, measure, eye, day, value in warehouse.sql(
        "select patient_key, measure, eye, assessed_date, value from staging.stg_outcomes "
        "where timing is distinct from 'after_treatment'"
    ).fetchall():
        values.setdefault((patient, measure, eye), {}).setdefault(day, []).append(float(value))
    treated: dict[str, list[Any]] = {}
    for patient, day in warehouse.sql(
        "select patient_key, session_date from courses.sessions order by session_date"
    ).fetchall():
        treated.setdefault(patient, []).append(day)
    measures = {
        "symptoms": ("osdi", -1),
        "tear_film": ("break_up_time", 1),
        "glands": ("gland_secretion", 1),
    }
    times, losses = [], []
    for row in responders.to_dicts():
        measure, sign = measures[row["rule"]]
        start, final, end = row["last_date"], row["final_days"], row["next_course_date"]

        def days(day: Any, start: Any = start) -> int:
            return int((day - start).days)

        seen = [
            (
                days(day),
                round(sign * (sum(some) / len(some) - float(row["baseline"])), 6)
                >= float(row["threshold"]),
            )
            for day, some in sorted(
                values.get((row["patient_key"], measure, row["eye"]), {}).items()
            )
            if days(day) > final and (end is None or day <= end)
        ]
        again = [
            days(day)
            for day in treated[row["patient_key"]]
            if day > start and (end is None or day <= end)
        ]
        time, lost = end_of_response(seen, again, final, estimand)
        times.append(time)
        losses.append(lost)
    return responders.with_columns(
        pl.Series("time", times), pl.Series("lost", losses), pl.col("final_days").alias("entry")
    )


def end_of_response(
    seen: list[tuple[int, bool]], treated: list[int], final: int, estimand: str
) -> tuple[int, bool]:
    lost = None
    for place, (day, responding) in enumerate(seen):
        following = seen[place + 1] if place + 1 < len(seen) else None
        between = [again for again in treated if again >= day]
        if following is not None:
            between = [again for again in between if again < following[0]]
        confirmed = following is not None and not following[1]
        if not responding and (confirmed or between):
            lost = day
            break
    last_seen = seen[-1][0] if seen else final
    retreated = treated[0] if treated else None
    if estimand == "whatever_followed":
        return (last_seen, False) if lost is None else (lost, True)
    if lost is not None and (retreated is None or lost <= retreated):
        return lost, True
    if retreated is None:
        return last_seen, False
    if estimand == "lost_or_retreated":
        return retreated, True
    return min(retreated, last_seen), False


def first_responses(warehouse: Warehouse, begun: pl.DataFrame) -> pl.DataFrame:
    """Definition 8's time and how it ended, course by course: `time`, `cause`."""
    seen: dict[Cell, list[tuple[int, bool]]] = {}
    for *unit, k, responding in warehouse.sql(
        "select course_id, rule, eye, session_number, responding from courses.session_responses "
        "where measured order by all"
    ).fetchall():
        seen.setdefault(tuple(unit), []).append((k, responding))
    timed = [
        first_response(seen.get((course, rule, eye), []), state)
        for course, rule, eye, state in begun.select(
            "course_id", "rule", "eye", "state"
        ).iter_rows()
    ]
    return begun.with_columns(
        pl.Series("time", [time for time, _ in timed], dtype=pl.Int64),
        pl.Series("cause", [cause for _, cause in timed], dtype=pl.String),
    ).filter(pl.col("time").is_not_null())


def first_response(seen: list[tuple[int, bool]], state: str) -> tuple[int | None, str]:
    for place, (k, responding) in enumerate(seen):
        if responding and all(later for _, later in seen[place + 1 : place + 2]):
            return k, "responded"
    if state == "stopped":
        return (seen[-1][0] if seen else 1), "stopped"
    return (seen[-1][0] if seen else None), "censored"


def table_ends(warehouse: Warehouse) -> Mapping[str, int]:
    plans = dict(
        warehouse.sql("select protocol, sessions_planned from staging.stg_protocols").fetchall()
    )
    return {**plans, "all": min(plans.values())}


def assert_log_log(low: float, high: float, share: float, error: float) -> None:
    reach = 1.959963984540054 * error / (share * np.log(share))
    limits = sorted((share ** np.exp(reach), share ** np.exp(-reach)))
    assert (low, high) == pytest.approx(limits, abs=1e-4)


class Jackknife:
    """Curves as functions of weights, and their errors by pushing on one patient at a time."""

    PUSH = 1e-6

    def __init__(self, time: Any, cause: Any, patient: Any) -> None:
        self.time, self.cause = time, cause
        self.patient = np.unique(patient, return_inverse=True)[1]
        self.weight = np.ones(len(time))

    def survival(self, until: int) -> float:
        survival = 1.0
        for k in range(1, until + 1):
            at_risk = self.weight[self.time >= k].sum()
            responded = self.weight[(self.time == k) & (self.cause == "responded")].sum()
            survival *= 1 - responded / at_risk if at_risk else 1
        return survival

    def incidence(self, until: int) -> float:
        survival, incidence = 1.0, 0.0
        for k in range(1, until + 1):
            at_risk = self.weight[self.time >= k].sum()
            if not at_risk:
                break
            now = self.time == k
            responded = self.weight[now & (self.cause == "responded")].sum()
            ended = self.weight[now & (self.cause != "censored")].sum()
            incidence += survival * responded / at_risk
            survival *= 1 - ended / at_risk
        return incidence

    def error(self, curve: Any, until: int) -> float:
        """Infinitesimal jackknife: the derivatives by the patients' weights, squared and added."""
        total = 0.0
        for patient in range(self.patient.max() + 1):
            rows = self.patient == patient
            values = []
            for push in (self.PUSH, -self.PUSH):
                self.weight[rows] = 1 + push
                values.append(curve(until))
            self.weight[rows] = 1
            total += ((values[0] - values[1]) / (2 * self.PUSH)) ** 2
        return float(np.sqrt(total))
