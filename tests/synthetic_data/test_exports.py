from calendar import monthrange
from collections.abc import Iterator
from datetime import date
from itertools import pairwise

import polars as pl
import pytest

from ingest.contract import EARLIEST_DAY, KINDS, MEASURES, OUTCOMES, SESSIONS, Level, Type
from synthetic_data.parameters import Parameters
from tests.synthetic_data.conftest import Group, read

PROTOCOLS = [protocol.code for protocol in Parameters().protocols]


@pytest.fixture(scope="module")
def tables(clean: Group) -> dict[tuple[str, str, str], pl.DataFrame]:
    """Site, batch and kind to the rows of a clean file, all as text."""
    return {
        (site, batch, kind.name): read(path).cast(pl.String)
        for site, batch, kind, path in clean.files()
    }


def test_sites_export_in_several_formats(clean: Group) -> None:
    endings: dict[str, set[str]] = {}
    for site, _, _, path in clean.files():
        endings.setdefault(site, set()).add(path.name.split(".", 1)[1])
    assert endings == {
        "alder": {"csv"},
        "birch": {"parquet"},
        "cedar": {"csv.gz"},
        "dogwood": {"csv"},
        "elm": {"parquet"},
    }


def test_every_file_has_the_contracts_columns(clean: Group) -> None:
    for _, _, kind, path in clean.files():
        assert read(path).columns == [column.name for column in kind.columns], path


def test_every_kind_is_exported(tables: dict[tuple[str, str, str], pl.DataFrame]) -> None:
    filled = {kind for (_, _, kind), rows in tables.items() if rows.height}
    assert filled == {kind.name for kind in KINDS}


def test_one_site_is_months_late(clean: Group) -> None:
    newest = {site: clean.batches(site)[-1] for site in ("alder", "birch", "dogwood", "elm")}
    assert newest == {
        "alder": "2026-10",
        "birch": "2026-10",
        "dogwood": "2026-07",
        "elm": "2026-10",
    }
    assert len(clean.batches("alder")) == 24


def last_day(batch: str) -> date:
    year, month = map(int, batch.split("-"))
    return date(year, month, monthrange(year, month)[1])


def wrong_values(kind_name: str, rows: pl.DataFrame, batch: str) -> Iterator[str]:
    """Columns whose values the contract would not take."""
    kind = next(kind for kind in KINDS if kind.name == kind_name)
    for column in kind.columns:
        values = rows[column.name]
        if column.required and values.null_count():
            yield f"{column.name} is missing"
        values = values.drop_nulls()
        match column.type:
            case Type.DATE:
                days = values.str.to_date()
                right = days.is_between(EARLIEST_DAY, last_day(batch))
            case Type.CODE:
                right = values.is_in(column.codes)
            case Type.YES_NO:
                right = values.is_in(["yes", "no"])
            case Type.PROTOCOL:
                right = values.is_in(PROTOCOLS)
            case Type.INTEGER | Type.DECIMAL:
                numbers = values.cast(pl.Float64)
                low = -1e9 if column.low is None else column.low
                high = 1e9 if column.high is None else column.high
                right = numbers.is_between(low, high)
            case _:
                right = values.str.contains(r"^[a-z]+[0-9]+(-[a-z0-9_]+-[a-z]+)?$")
        if not right.all():
            yield f"{column.name}: {values.filter(~right)[0]}"


def test_clean_values_are_the_contracts(
    tables: dict[tuple[str, str, str], pl.DataFrame],
) -> None:
    wrong = {
        key: found
        for key, rows in tables.items()
        if (found := list(wrong_values(key[2], rows, key[1])))
    }
    assert wrong == {}


def test_the_check_of_values_can_fail() -> None:
    rows = pl.DataFrame(
        {
            "patient_id": ["p1", None],
            "status": ["active", "away"],
            "status_date": ["2026-02-01"] * 2,
        }
    ).with_columns(treated_before=pl.lit("yes"))
    assert list(wrong_values("patients", rows, "2026-01")) == [
        "patient_id is missing",
        "status: away",
        "status_date: 2026-02-01",
    ]


def test_measures_keep_to_their_eyes_and_ranges(
    tables: dict[tuple[str, str, str], pl.DataFrame],
) -> None:
    outcomes = pl.concat(rows for (_, _, kind), rows in tables.items() if kind == OUTCOMES.name)
    for measure in MEASURES:
        rows = outcomes.filter(measure=measure.name)
        assert rows.height, measure.name
        assert rows["value"].cast(pl.Float64).is_between(measure.low, measure.high).all()
        eyes = {"both"} if measure.level is Level.PATIENT else {"right", "left"}
        assert set(rows["eye"]) == eyes


def test_keys_are_unique_in_a_batch(tables: dict[tuple[str, str, str], pl.DataFrame]) -> None:
    grains = {kind.name: kind.grain for kind in KINDS if not kind.averaged}
    for (site, batch, kind), rows in tables.items():
        if kind in grains:
            assert not rows.select(grains[kind]).is_duplicated().any(), (site, batch, kind)


def test_eye_rows_of_a_session_agree(tables: dict[tuple[str, str, str], pl.DataFrame]) -> None:
    for (_, _, kind), rows in tables.items():
        if kind == SESSIONS.name:
            differing = rows.group_by("session_id").agg(
                pl.col(SESSIONS.agree).drop_nulls().n_unique()
            )
            assert differing.select(pl.max_horizontal(SESSIONS.agree).max()).item() in (None, 1)


def test_two_sites_use_the_same_ids(tables: dict[tuple[str, str, str], pl.DataFrame]) -> None:
    ids = [
        set(
            pl.concat(
                rows["patient_id"]
                for (of, _, kind), rows in tables.items()
                if of == site and kind == "patients"
            )
        )
        for site in ("alder", "birch")
    ]
    assert ids[0] & ids[1]


def by_batch(
    tables: dict[tuple[str, str, str], pl.DataFrame], site: str, kind: str
) -> list[pl.DataFrame]:
    return [rows for (of, _, k), rows in sorted(tables.items()) if (of, k) == (site, kind)]


def test_changes_bring_a_row_again_only_when_it_changed(
    tables: dict[tuple[str, str, str], pl.DataFrame],
) -> None:
    visits = pl.concat(by_batch(tables, "alder", "visits"))
    again = visits.filter(pl.col("visit_id").is_duplicated())
    assert 0 < again["visit_id"].n_unique() < 0.05 * visits.height
    assert not again.is_duplicated().any()


def test_full_exports_bring_everything_each_time(
    tables: dict[tuple[str, str, str], pl.DataFrame],
) -> None:
    months = [set(rows["outcome_id"]) for rows in by_batch(tables, "elm", "outcomes")]
    assert len(months[-1]) > 10 * len(months[0])
    for earlier, later in pairwise(months):
        gone = earlier - later
        assert all(key.startswith("ow") for key in gone)  # entered in error
    assert any(key.startswith("ow") for month in months for key in month)


def test_statuses_change_and_plans_end(
    tables: dict[tuple[str, str, str], pl.DataFrame],
) -> None:
    patients = pl.concat(
        by_batch(tables, "alder", "patients") + by_batch(tables, "birch", "patients")
    )
    assert {"active", "moved", "deceased", "discharged", "declined_recall"} <= set(
        patients["status"]
    )
    plans = pl.concat(by_batch(tables, "alder", "plans"))
    assert {"completed", "no_benefit", "improved_enough", "cost", "lost_contact"} <= set(
        plans["end_reason"]
    )
    assert {
        "recommended",
        "accepted",
        "declined",
        "deferred",
        "not_suitable",
        "home_care_first",
    } == (set(plans["decision"]))
    usual = {p.code: p.definition.sessions_planned for p in Parameters().protocols}
    named = plans.drop_nulls(["protocol", "sessions_planned"])
    differs = named["sessions_planned"].cast(pl.Int64) != named["protocol"].replace_strict(usual)
    assert 0 < differs.mean() < 0.25


def test_less_than_half_of_the_sessions_have_a_log(
    clean: Group, tables: dict[tuple[str, str, str], pl.DataFrame]
) -> None:
    for site in ("alder", "birch", "elm"):
        logged = pl.concat(by_batch(tables, site, "temperatures"))
        sessions = pl.concat(by_batch(tables, site, "sessions"))
        keys = logged.select("session_id", "eye").unique()
        assert keys.join(sessions, on=["session_id", "eye"], how="anti").is_empty()
        assert keys.height < sessions.select("session_id", "eye").unique().height / 2
        per_log = logged.group_by("session_id", "eye").agg(
            seconds=pl.col("t_s").cast(pl.Float64).max(),
            top=pl.col("temp_c").cast(pl.Float64).max(),
        )
        with_heat = per_log.join(
            sessions.unique(["session_id", "eye"], keep="last"), on=["session_id", "eye"]
        )
        minutes = with_heat["minutes"].cast(pl.Float64)
        assert ((with_heat["seconds"] / 60 - minutes).abs() < 0.2).all()
        assert ((with_heat["top"] - with_heat["max_temp_c"].cast(pl.Float64)).abs() < 1).all()
    assert not list((clean.root / "exports").glob("cedar/*/temperatures*"))
