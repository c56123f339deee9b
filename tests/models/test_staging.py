"""What stands of several batches: the newest row, as of the site's cutoff."""

from collections.abc import Iterator
from datetime import date
from typing import Any

import duckdb
import pytest

from models.build import run_dbt
from pipeline.settings import Settings

SITES = {"alder": "changes", "birch": "full", "cedar": "changes", "dogwood": "full", "elm": "full"}
GROUP = Settings.model_validate(
    {
        "site": [{"code": code, "exports": exports} for code, exports in SITES.items()]
        + [{"code": "silent"}],
        "protocol": [{"code": "four_fortnightly", "sessions_planned": 4}],
    }
)
LAST_DAYS = {
    "2025-01": date(2025, 1, 31),
    "2025-02": date(2025, 2, 28),
    "2025-03": date(2025, 3, 31),
}
BATCHES = [
    {"site": site, "batch": batch, "last_day": LAST_DAYS[batch], "position": position}
    for site in SITES
    for position, batch in enumerate(LAST_DAYS, start=1)
    if not (site == "cedar" and position > 1)
]
AS_OF = date(2025, 3, 20)


def visit(site: str, batch: str, key: str, day: str, reason: str = "review") -> dict[str, Any]:
    return {
        "site": site,
        "batch": batch,
        "visit_key": key,
        "patient_key": "p",
        "visit_date": day,
        "visit_reason": reason,
    }


VISITS = [
    visit("alder", "2025-01", "corrected", "2025-01-10", "assessment"),
    visit("alder", "2025-03", "corrected", "2025-01-10", "review"),
    visit("alder", "2025-02", "left_alone", "2025-01-10"),
    visit("alder", "2025-03", "on_as_of", "2025-03-20"),
    visit("alder", "2025-03", "after_as_of", "2025-03-21"),
    visit("alder", "2025-01", "moved_past_as_of", "2025-01-10"),
    visit("alder", "2025-03", "moved_past_as_of", "2025-03-25"),
    visit("cedar", "2025-01", "late_site", "2025-01-31"),
    visit("birch", "2025-01", "corrected", "2025-01-10", "other"),
    visit("birch", "2025-02", "withdrawn", "2025-01-10"),
    visit("birch", "2025-02", "sent_again", "2025-01-10", "assessment"),
    visit("birch", "2025-03", "sent_again", "2025-01-10", "review"),
    visit("birch", "2025-02", "refused_now", "2025-01-10", "assessment"),
    visit("birch", "2025-01", "refused_then", "2025-01-10"),
    visit("dogwood", "2025-01", "file_refused", "2025-01-10"),
    visit("elm", "2025-01", "kind_not_sent", "2025-01-10"),
]
REFUSED_VISITS = [
    visit("birch", "2025-03", "refused_now", "2025-01-10"),
    visit("birch", "2025-02", "refused_then", "2025-01-10"),
]
FILES = [
    {"site": site, "batch": batch, "kind": kind, "file": f"{kind}.csv", "file_refused": whole}
    for site, batch, kind, whole in (
        ("alder", "2025-01", "visits", False),
        ("alder", "2025-02", "visits", False),
        ("alder", "2025-03", "visits", False),
        ("birch", "2025-01", "visits", False),
        ("birch", "2025-02", "visits", False),
        ("birch", "2025-03", "visits", False),
        ("cedar", "2025-01", "visits", False),
        ("dogwood", "2025-01", "visits", False),
        ("dogwood", "2025-02", "visits", True),
        ("elm", "2025-01", "visits", False),
        ("elm", "2025-03", "sessions", False),
    )
]


def session(batch: str, eye: str, device: str) -> dict[str, Any]:
    return {
        "batch": batch,
        "session_key": "s",
        "patient_key": "p",
        "session_date": "2025-01-10",
        "eye": eye,
        "purpose": "course",
        "protocol": "four_fortnightly",
        "device": device,
    }


def samples(batch: str, eye: str, *seconds: int) -> list[dict[str, Any]]:
    return [
        {"batch": batch, "session_key": "s", "eye": eye, "t_s": second, "temp_c": 41}
        for second in seconds
    ]


@pytest.fixture(scope="module")
def staging(make_shared_release: Any) -> Iterator[duckdb.DuckDBPyConnection]:
    dated = {"batch": "2025-03", "patient_key": "p"}
    release = make_shared_release(
        {
            "visits": VISITS,
            "sessions": [
                session("2025-01", "right", "first"),
                session("2025-01", "left", "first"),
                session("2025-02", "right", "second"),
            ],
            "temperatures": [
                *samples("2025-01", "right", 0, 1, 2),
                *samples("2025-01", "left", 0, 1),
                *samples("2025-02", "right", 0, 5),
            ],
            "patients": [
                {**dated, "status": "moved", "status_date": "2025-03-20", "treated_before": True},
                {
                    **dated,
                    "patient_key": "q",
                    "status": "moved",
                    "status_date": "2025-03-21",
                    "treated_before": True,
                },
            ],
            "plans": [
                {
                    **dated,
                    "plan_key": day,
                    "decided_on": "2025-03-01",
                    "decision": "accepted",
                    "ended_on": day,
                    "end_reason": "cost",
                }
                for day in ("2025-03-20", "2025-03-21")
            ],
            "treatments": [
                {
                    **dated,
                    "treatment_key": day,
                    "treatment": "warm_mask",
                    "started_on": "2025-03-01",
                    "stopped_on": day,
                }
                for day in ("2025-03-20", "2025-03-21")
            ],
            "adverse_events": [
                {
                    **dated,
                    "event_key": day,
                    "event": "redness",
                    "severity": "mild",
                    "onset_date": "2025-03-01",
                    "resolved_date": day,
                }
                for day in ("2025-03-20", "2025-03-21")
            ],
        },
        settings=GROUP,
        batches=BATCHES,
        as_of=AS_OF,
        refused={"visits": REFUSED_VISITS},
        arrivals={"files": FILES},
    )
    run_dbt(release, "run", "--select", "staging")
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        yield connection


def test_cutoff_is_the_earlier_of_as_of_and_the_newest_batch(
    staging: duckdb.DuckDBPyConnection,
) -> None:
    cutoffs = dict(staging.sql("select site, cutoff from staging.stg_sites").fetchall())
    assert cutoffs == {
        "alder": AS_OF,
        "birch": AS_OF,
        "cedar": date(2025, 1, 31),
        "dogwood": AS_OF,
        "elm": AS_OF,
        "silent": None,
    }


def test_newest_batch_wins_and_nothing_lies_after_the_cutoff(
    staging: duckdb.DuckDBPyConnection,
) -> None:
    assert standing_visits(staging, "alder", "cedar") == {
        ("alder", "corrected", "2025-03", "review"),
        ("alder", "left_alone", "2025-02", "review"),
        ("alder", "on_as_of", "2025-03", "review"),
        ("cedar", "late_site", "2025-01", "review"),
    }


def test_full_exports_withdraw_what_they_leave_out(staging: duckdb.DuckDBPyConnection) -> None:
    assert standing_visits(staging, "birch") == {
        ("birch", "sent_again", "2025-03", "review"),
        ("birch", "refused_now", "2025-02", "assessment"),
    }


def test_a_kind_that_did_not_arrive_withdraws_nothing(staging: duckdb.DuckDBPyConnection) -> None:
    assert standing_visits(staging, "dogwood", "elm") == {
        ("dogwood", "file_refused", "2025-01", "review"),
        ("elm", "kind_not_sent", "2025-01", "review"),
    }


def test_each_eye_of_a_session_is_replaced_by_itself(staging: duckdb.DuckDBPyConnection) -> None:
    devices = staging.sql("select eye, device from staging.stg_sessions").fetchall()
    assert dict(devices) == {"right": "second", "left": "first"}


def test_a_newer_log_replaces_the_older_whole(staging: duckdb.DuckDBPyConnection) -> None:
    seconds = staging.sql(
        "select eye, cast(t_s as integer) from staging.stg_temperatures order by all"
    ).fetchall()
    assert seconds == [("left", 0), ("left", 1), ("right", 0), ("right", 5)]


@pytest.mark.parametrize(
    ("table", "key", "columns", "on_the_day", "after_it"),
    [
        ("stg_patients", "patient_key", "status, treated_before", ("moved", True), (None, True)),
        ("stg_plans", "plan_key", "end_reason", ("cost",), (None,)),
        ("stg_treatments", "treatment_key", "stopped_on", (AS_OF,), (None,)),
        ("stg_adverse_events", "event_key", "resolved_date", (AS_OF,), (None,)),
    ],
)
def test_what_comes_after_the_cutoff_is_not_known(
    staging: duckdb.DuckDBPyConnection,
    table: str,
    key: str,
    columns: str,
    on_the_day: tuple[Any, ...],
    after_it: tuple[Any, ...],
) -> None:
    rows = staging.sql(f"select {columns} from staging.{table} order by {key}").fetchall()
    assert rows == [on_the_day, after_it]


def standing_visits(
    staging: duckdb.DuckDBPyConnection, *sites: str
) -> set[tuple[str, str, str, str]]:
    rows = staging.execute(
        "select site, visit_key, batch, visit_reason from staging.stg_visits where site in ?",
        [list(sites)],
    )
    return set(rows.fetchall())
