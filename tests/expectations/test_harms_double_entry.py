"""The rule on harms to settle is stated twice, before and after the build: both find the same."""

from datetime import date
from itertools import product
from typing import Any

import duckdb
import pytest

from expectations.arrival import measure
from models.build import run_dbt

CHANGES, FULL = "alder", "birch"
OLDER, WITHDRAWN, NEWER = "2024-07", "2024-08-15", "2024-08"
WITHDRAWN_DAYS_END = date(2024, 8, 15)
DAY = date(2024, 7, 10)
ENTRIES = ("absent", None, "none", "burn")
NEWER_ENTRIES = (*ENTRIES, "redness")
REFUSALS = (None, *product((OLDER, WITHDRAWN, NEWER), ("burn", "unknown")))
REPORTS = ("absent", ("burn", "mild", None), ("burn", "severe", None), ("burn", "mild", True))
NEWER_REPORTS = (*REPORTS, ("redness", "severe", True))
REFUSED_REPORTS = (
    None,
    *product((NEWER, WITHDRAWN), ("burn", "unknown")),
    (WITHDRAWN, "burn", "severe", True),
)

Case = tuple[Any, ...]


@pytest.fixture
def found(inputs) -> dict[str, dict[str, str]]:
    """By each of the two statements of the rule, why each harm has to be settled."""
    inputs.exports[FULL] = "full"
    for site in (CHANGES, FULL):
        for case in product(ENTRIES, NEWER_ENTRIES, REFUSALS):
            add_session(inputs, site, case)
        for case in product(REPORTS, NEWER_REPORTS, REFUSED_REPORTS):
            add_report(inputs, site, case)
    inputs.accepted[FULL, NEWER, "adverse_events"].append(
        report_of(inputs, "the newest export of reports", ("redness", "mild", None))
    )
    release = inputs.write()
    measured = release.root / "arrival.duckdb"
    measure(release, measured, lambda _: None)
    run_dbt(
        release, "build", "--select", "+harms_to_settle", "--exclude-resource-type", "unit_test"
    )
    return {
        "arrival": read(measured, "select key, why from harms where why is not null"),
        "build": read(
            release.warehouse, "select site || '/' || harm_key, why from quality.harms_to_settle"
        ),
    }


def add_session(inputs, site: str, case: Case) -> None:
    """A session told of in two batches, or refused in one of them, or in one withdrawn."""
    older, newer, refusal = case
    row = {
        "session_key": inputs.key_of("session", case),
        "patient_key": inputs.key_of("patient", case),
        "session_date": DAY,
        "eye": "right",
        "purpose": "course",
        "protocol": "four",
    }
    for batch, event in ((OLDER, older), (NEWER, newer)):
        if event != "absent":
            inputs.accepted[site, batch, "sessions"].append(row | {"adverse_event": event})
    if refusal:
        refuse(inputs, site, "sessions", row, f"{row['session_key'][:16]}-r", refusal)


def add_report(inputs, site: str, case: Case) -> None:
    """A report made in two batches, or refused in one of them, or in one withdrawn."""
    older, newer, refusal = case
    for batch, told in ((OLDER, older), (NEWER, newer)):
        if told != "absent":
            inputs.accepted[site, batch, "adverse_events"].append(report_of(inputs, case, told))
    if refusal:
        row = {"event_key": inputs.key_of("event", case)}
        refuse(inputs, site, "adverse_events", row, row["event_key"][:16], refusal)


def report_of(inputs, case: object, told: tuple[str, str, bool | None]) -> dict[str, Any]:
    event, severity, serious = told
    return {
        "event_key": inputs.key_of("event", case),
        "patient_key": inputs.key_of("patient", case),
        "onset_date": DAY,
        "event": event,
        "severity": severity,
        "serious": serious,
    }


def refuse(inputs, site: str, kind: str, row: dict, harm: str, refusal: Case) -> None:
    batch, event, *as_reported = refusal
    keys = {name: value for name, value in row.items() if name.endswith("_key") or name == "eye"}
    told = {"site": site, "batch": batch, "kind": kind, "harm_key": harm, "event": event}
    told |= dict(zip(("severity", "serious"), as_reported, strict=False))
    if batch == WITHDRAWN:
        told["withdrawn_last_day"] = WITHDRAWN_DAYS_END
    else:
        inputs.refused[site, batch, kind].append(keys)
    inputs.refused_harms.append(keys | told)


def read(database, query: str) -> dict[str, str]:
    with duckdb.connect(str(database), read_only=True) as connection:
        return dict(connection.sql(query).fetchall())


def test_both_statements_of_the_rule_agree(found):
    assert found["arrival"] == found["build"]
    assert set(found["build"].values()) == {"refused", "lowered", "withdrawn"}
