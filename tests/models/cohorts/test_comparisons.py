"""What compares protocols and clinics, worked out anew: statsmodels for errors, tests and p-values.

Figures without errors are checked in test_figures.py.
"""

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest
from scipy.stats import binom  # type: ignore[import-untyped]
from statsmodels.regression.linear_model import OLS  # type: ignore[import-untyped]
from statsmodels.stats.meta_analysis import combine_effects  # type: ignore[import-untyped]
from statsmodels.stats.multitest import multipletests  # type: ignore[import-untyped]

from ingest import ingest
from models.build import build
from pipeline.beginnings import DEMO_KEY
from pipeline.inputs import assemble
from pipeline.release import candidate
from pipeline.workspace import Workspace, key_file
from synthetic_data import make_exports

Warehouse = duckdb.DuckDBPyConnection
Row = dict[str, Any]

PATIENTS = 3000
Z = 1.959963984540054
FEWEST = 10  # evaluable in an arm
LEAST_MEASURED = 0.6
LEAST_OVERLAP = 0.5


@pytest.fixture(scope="module")
def demo_warehouse(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Warehouse]:
    """The warehouse of a group large enough for its protocols to be compared."""
    root = tmp_path_factory.mktemp("compared") / "group"
    make_exports(root, patients=PATIENTS, dirty_share=0)
    key_file(root).write_text(DEMO_KEY)
    key_file(root).chmod(0o600)
    workspace = Workspace.open(root)
    report = ingest(workspace)
    release = candidate(workspace, report).release
    release.root.mkdir(parents=True)
    assemble(release, report)
    build(release)
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        yield connection


@pytest.fixture
def mature(demo_warehouse: Warehouse) -> pl.DataFrame:
    """Mature courses, or eyes, whether they are evaluable and whether they respond."""
    rows: pl.DataFrame = demo_warehouse.sql(
        """
        select *, outcome = 'responder' as responds,
            outcome not in ('not_applicable', 'not_measured') as evaluable
        from courses.responses
        where is_mature
        """
    ).pl()
    return rows


def table(warehouse: Warehouse, name: str) -> list[Row]:
    rows: list[Row] = warehouse.sql(f"from cohorts.{name} order by all").pl().to_dicts()
    assert rows
    return rows


def arms_of(pair: Row, mature: pl.DataFrame) -> list[pl.DataFrame]:
    """The evaluable of the protocol compared, and of the reference."""
    evaluable = mature.filter((pl.col("rule") == pair["rule"]) & pl.col("evaluable"))
    return [
        evaluable.filter(pl.col("protocol") == pair[arm])
        for arm in ("protocol", "reference_protocol")
    ]


def shared_bands(arms: list[pl.DataFrame]) -> list[str]:
    return sorted(set.intersection(*(set(arm["symptoms_band"]) for arm in arms)) - {"unknown"})


def difference_and_error(arms: list[pl.DataFrame], bands: list[str]) -> tuple[float, float]:
    """A contrast of cell means, least squares with errors clustered by patient (statsmodels 0.14).

    The joint mix of the bands is held fixed.
    """
    rows = pl.concat(
        arm.with_columns(pl.lit(place).alias("arm")) for place, arm in enumerate(arms)
    ).filter(pl.col("symptoms_band").is_in(bands))
    arm, band = rows["arm"].to_numpy(), rows["symptoms_band"].to_numpy()
    cells = [(which, name) for which in (0, 1) for name in bands]
    design = np.column_stack([(arm == which) & (band == name) for which, name in cells])
    mix = {name: float(np.mean(band == name)) for name in bands}
    contrast = [mix[name] if which == 0 else -mix[name] for which, name in cells]
    _, patients = np.unique(rows["patient_key"].to_numpy(), return_inverse=True)
    fitted = OLS(rows["responds"].to_numpy().astype(float), design.astype(float)).fit(
        cov_type="cluster", cov_kwds={"groups": patients, "use_correction": False}
    )
    estimate = fitted.t_test(contrast)
    m = patients.max() + 1
    return float(estimate.effect.item()), float(estimate.sd.item()) * np.sqrt(m / (m - 1))


def test_differences_with_errors_clustered_by_patient(
    demo_warehouse: Warehouse, mature: pl.DataFrame
) -> None:
    comparable = [row for row in table(demo_warehouse, "protocol_comparison") if row["comparable"]]
    assert comparable
    for row in comparable:
        arms = arms_of(row, mature)
        difference, error = difference_and_error(arms, shared_bands(arms))
        assert row["difference"] == pytest.approx(difference, abs=1e-9)
        limits = (row["difference_low"], row["difference_high"])
        assert limits == pytest.approx((difference - Z * error, difference + Z * error), abs=1e-9)


def test_mantel_haenszel_differences(demo_warehouse: Warehouse, mature: pl.DataFrame) -> None:
    comparable = [row for row in table(demo_warehouse, "protocol_comparison") if row["comparable"]]
    assert comparable
    for row in comparable:
        compared, reference = (
            {
                cell: (int(some["responds"].sum()), some.height)
                for cell, some in arm.group_by("site", "symptoms_band")
                if cell[1] != "unknown"
            }
            for arm in arms_of(row, mature)
        )
        top = bottom = 0.0
        for cell in compared.keys() & reference.keys():
            (r, n), (s, m) = compared[cell], reference[cell]
            top += (r * m - s * n) / (n + m)
            bottom += n * m / (n + m)
        assert row["mh_difference"] == pytest.approx(top / bottom, abs=1e-9)


def test_pairs_are_withheld_by_the_definitions_numbers(
    demo_warehouse: Warehouse, mature: pl.DataFrame
) -> None:
    used = mature.filter(pl.col("rule") == "symptoms")["protocol"].value_counts(sort=True)
    for row in table(demo_warehouse, "protocol_comparison"):
        assert row["reference_protocol"] == used["protocol"][0]
        arms = arms_of(row, mature)
        applicable = [
            mature.filter(
                (pl.col("rule") == row["rule"])
                & (pl.col("protocol") == row[arm])
                & (pl.col("outcome") != "not_applicable")
            ).height
            for arm in ("protocol", "reference_protocol")
        ]
        measured = [arm.height / n for arm, n in zip(arms, applicable, strict=True)]
        every = pl.concat(arms)
        overlap = every.filter(pl.col("symptoms_band").is_in(shared_bands(arms)))
        assert row["comparable"] == (
            min(arm.height for arm in arms) >= FEWEST
            and min(measured) >= LEAST_MEASURED
            and len(set(arms[0]["site"]) & set(arms[1]["site"])) > 1
            and overlap.height >= LEAST_OVERLAP * every.height
        )


@pytest.mark.parametrize("name", ["protocol_comparison", "band_homogeneity"])
def test_p_values_adjusted_over_all_pairs_and_rules(demo_warehouse: Warehouse, name: str) -> None:
    tested = [row for row in table(demo_warehouse, name) if row["p_value"] is not None]
    assert tested
    adjusted = multipletests([row["p_value"] for row in tested], method="fdr_bh")[1]
    assert [row["p_adjusted"] for row in tested] == pytest.approx(adjusted.tolist(), abs=1e-12)


def test_differences_alike_over_bands(demo_warehouse: Warehouse, mature: pl.DataFrame) -> None:
    pairs = {
        (row["rule"], row["protocol"]): row for row in table(demo_warehouse, "protocol_comparison")
    }
    for row in table(demo_warehouse, "band_homogeneity"):
        arms = arms_of(row, mature)
        found = [
            difference_and_error(arms, [band])
            for band in shared_bands(arms)
            if min((arm["symptoms_band"] == band).sum() for arm in arms) >= FEWEST
        ]
        weighed = [(difference, error) for difference, error in found if error > 1e-12]
        assert row["bands"] == len(weighed)
        compared = pairs[row["rule"], row["protocol"]]["comparable"]
        assert row["comparable"] == (compared and len(weighed) > 1)
        if row["comparable"]:
            differences, errors = np.array(weighed).T
            alike = combine_effects(differences, errors**2).test_homogeneity()  # statsmodels 0.14
            assert row["degrees_of_freedom"] == alike.df
            figures = (row["statistic"], row["p_value"])
            assert figures == pytest.approx((alike.statistic, alike.pvalue), abs=1e-9)


def test_limits_of_sites(demo_warehouse: Warehouse, mature: pl.DataFrame) -> None:
    """The interpolated binomial's quantiles by scipy 1, widened by what patients' two eyes add."""
    for row in table(demo_warehouse, "site_comparison"):
        here = mature.filter((pl.col("rule") == row["rule"]) & (pl.col("site") == row["site"]))
        applicable = here.filter(pl.col("outcome") != "not_applicable").height
        assert row["capture_rate"] == pytest.approx(row["evaluable"] / applicable)
        assert row["overdispersion"] is None  # fewer than ten clinics
        elsewhere = mature.filter(
            (pl.col("rule") == row["rule"]) & (pl.col("site") != row["site"]) & pl.col("evaluable")
        )
        evaluable = here.filter("evaluable")
        bands = set(elsewhere["symptoms_band"]) - {"unknown"}
        n = int(evaluable["symptoms_band"].is_in(bands).sum())
        target = row["expected"] / n
        widening = np.sqrt(evaluable.height / effective(evaluable))
        for column, quantile in (
            ("low_95", 0.025),
            ("high_95", 0.975),
            ("low_998", 0.001),
            ("high_998", 0.999),
        ):
            r = int(binom.ppf(quantile, n, target))
            above = (binom.cdf(r, n, target) - quantile) / binom.pmf(r, n, target)
            limit = target + widening * (max(r - above, 0) / n - target)
            assert row[column] == pytest.approx(min(max(limit, 0), 1) / target, abs=1e-9)


def effective(rows: pl.DataFrame) -> float:
    """Definition 11's effective sample size of the share that responds."""
    responds = rows["responds"].to_numpy().astype(float)
    _, patients = np.unique(rows["patient_key"].to_numpy(), return_inverse=True)
    n, m, rate = len(responds), patients.max() + 1, responds.mean()
    variance = (np.bincount(patients, responds - rate) ** 2).sum() / n**2 * m / (m - 1)
    return float(min(n, n * rate * (1 - rate) / (n - 1) / variance))


def test_follow_up_day_by_day(demo_warehouse: Warehouse) -> None:
    """On each patient's calendar: the days that could be followed, and those known of."""
    known: dict[str, set[date]] = {}
    for patient, day in demo_warehouse.sql(
        """
        select patient_key, assessed_date from staging.stg_outcomes
        where timing is distinct from 'after_treatment'
        union select patient_key, session_date from staging.stg_sessions
        """
    ).fetchall():
        known.setdefault(patient, set()).add(day)
    deaths = dict(
        demo_warehouse.sql(
            "select patient_key, status_date from staging.stg_patients where status = 'deceased'"
        ).fetchall()
    )
    sums: dict[tuple[str, str], list[int]] = {}
    for site, protocol, patient, last, cutoff, following in demo_warehouse.sql(
        "select site, protocol, patient_key, last_date, cutoff, next_course_date "
        "from courses.courses where is_mature"
    ).fetchall():
        death = deaths.get(patient)
        if death is not None and death < last:
            death = None
        ending = min(day for day in (cutoff, following, death) if day is not None)
        days = [last + timedelta(days=n + 1) for n in range((ending - last).days)]
        seen = [day for day in days if day in known[patient] or day == death]
        observed = days.index(seen[-1]) + 1 if seen else 0
        for cell in ((site, protocol), (site, "all"), ("all", protocol), ("all", "all")):
            total = sums.setdefault(cell, [0, 0, 0, 0])
            for place, more in enumerate((1, bool(seen), observed, len(days))):
                total[place] += more
    found = {
        (row["site"], row["protocol"]): row
        for row in table(demo_warehouse, "follow_up_completeness")
    }
    assert found.keys() == sums.keys()
    for cell, (courses, seen_again, observed, potential) in sums.items():
        row = found[cell]
        counts = [row["courses"], row["seen"], row["observed_days"], row["potential_days"]]
        assert counts == [courses, seen_again, observed, potential]
        assert row["completeness"] == pytest.approx(observed / potential)
