"""Harm never vanishes: refused, lowered or withdrawn, it is listed until it is settled."""

from datetime import date
from typing import Any

import duckdb
import pytest

from models.build import run_dbt
from pipeline.settings import Settings

GROUP = Settings.model_validate(
    {
        "site": [{"code": "alder"}, {"code": "birch", "exports": "full"}],
        "protocol": [{"code": "four_fortnightly", "sessions_planned": 4}],
        "settled_harm": [
            {
                "site": "alder",
                "harm": "entered_in_error-r",
                "decision": "wrong patient, seen in the notes",
                "decided_on": "2025-02-10",
            },
            {
                "site": "birch",
                "harm": "lowered_to_none0-r",
                "decision": "of the other site",
                "decided_on": "2025-02-10",
            },
        ],
    }
)
BATCHES = [
    {"site": site, "batch": batch, "last_day": last_day, "position": position}
    for site in ("alder", "birch")
    for position, (batch, last_day) in enumerate(
        {"2025-01": date(2025, 1, 31), "2025-02": date(2025, 2, 28)}.items(), start=1
    )
]


def entry(batch: str, key: str, event: str | None, site: str = "alder") -> dict[str, Any]:
    """A session's right eye; keys of 32 characters, as ingest gives them."""
    return {
        "site": site,
        "batch": batch,
        "session_key": key.ljust(32, "0"),
        "patient_key": "p",
        "session_date": "2025-01-10",
        "eye": "right",
        "purpose": "course",
        "protocol": "four_fortnightly",
        "adverse_event": event,
    }


def report(
    batch: str, key: str, event: str, severity: str, serious: bool | None = None
) -> dict[str, Any]:
    return {
        "batch": batch,
        "event_key": key.ljust(32, "0"),
        "patient_key": "p",
        "onset_date": "2025-01-12",
        "event": event,
        "severity": severity,
        "serious": serious,
    }


def refused(batch: str, key: str, event: str, kind: str = "sessions") -> dict[str, Any]:
    of_session = kind == "sessions"
    return {
        "site": "alder",
        "batch": batch,
        "kind": kind,
        "harm_key": key.ljust(32, "0")[:16] + ("-r" if of_session else ""),
        "session_key": key.ljust(32, "0") if of_session else None,
        "eye": "right",
        "event": event,
        "event_date": date(2025, 1, 14),
    }


def in_a_withdrawn_batch(
    key: str, event: str, kind: str = "sessions", severity: str | None = None
) -> dict[str, Any]:
    return refused("2025-03-15", key, event, kind) | {
        "severity": severity,
        "withdrawn_last_day": date(2025, 3, 15),
    }


SESSIONS = [
    entry("2025-01", "kept", "burn"),
    entry("2025-02", "kept", "burn"),
    entry("2025-01", "never_any", "none"),
    entry("2025-01", "raised", "none"),
    entry("2025-02", "raised", "burn"),
    entry("2025-01", "lowered_to_none", "burn"),
    entry("2025-02", "lowered_to_none", "none"),
    entry("2025-01", "asked_no_more", "redness"),
    entry("2025-02", "asked_no_more", None),
    entry("2025-01", "renamed", "burn"),
    entry("2025-02", "renamed", "redness"),
    entry("2025-01", "entered_in_error", "blister"),
    entry("2025-02", "entered_in_error", "none"),
    entry("2025-01", "kept", "burn", site="birch"),
    entry("2025-02", "kept", "burn", site="birch"),
    entry("2025-01", "withdrawn", "corneal", site="birch"),
    entry("2025-01", "gone_unharmed", "none", site="birch"),
    entry("2025-02", "corrected", "swelling"),
    entry("2025-02", "corrected_away", "none"),
    entry("2025-01", "stood_before", "swelling"),
    entry("2025-02", "read_later", "swelling"),
    entry("2025-02", "unread", None),
]
REPORTS = [
    report("2025-01", "milder", "burn", "severe"),
    report("2025-02", "milder", "burn", "moderate"),
    report("2025-01", "graver", "burn", "mild"),
    report("2025-02", "graver", "burn", "severe", serious=True),
    report("2025-01", "serious_no_more", "burn", "mild", serious=True),
    report("2025-02", "serious_no_more", "burn", "mild"),
    report("2025-01", "another_harm", "burn", "mild"),
    report("2025-02", "another_harm", "other", "severe"),
    report("2025-02", "milder_before", "burn", "mild"),
]
REFUSED = [
    refused("2025-01", "refused_only", "burn"),
    refused("2025-02", "refused_report", "corneal", kind="adverse_events"),
    refused("2025-01", "corrected", "swelling"),
    refused("2025-01", "corrected_away", "swelling"),
    refused("2025-02", "stood_before", "swelling"),
    refused("2025-01", "read_later", "unknown"),
    refused("2025-02", "unread", "unknown"),
    in_a_withdrawn_batch("only_there", "burn"),
    in_a_withdrawn_batch("kept", "burn"),
    in_a_withdrawn_batch("never_any", "blister"),
    in_a_withdrawn_batch("graver", "burn", "adverse_events", "severe"),
    in_a_withdrawn_batch("milder_before", "burn", "adverse_events", "severe"),
]


@pytest.fixture(scope="module")
def listed(make_shared_release: Any) -> dict[str, list[Any]]:
    release = make_shared_release(
        {"sessions": SESSIONS, "adverse_events": REPORTS},
        settings=GROUP,
        batches=BATCHES,
        as_of=date(2025, 2, 28),
        arrivals={
            "refused_harms": REFUSED,
            "files": [
                {"site": "birch", "batch": batch, "kind": "sessions", "file_refused": False}
                for batch in ("2025-01", "2025-02")
            ],
        },
    )
    run_dbt(
        release, "build", "--select", "+harms_to_settle", "--exclude-resource-type", "unit_test"
    )
    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        rows = connection.sql(
            "select harm_key, site, why, event, batch, settled from quality.harms_to_settle"
        ).fetchall()
    return {key.removesuffix("-r").rstrip("0"): rest for key, *rest in rows}


def test_lowered_harms_are_listed(listed: dict[str, list[Any]]) -> None:
    lowered = {key: rest for key, rest in listed.items() if rest[1] == "lowered"}
    assert lowered == {
        "lowered_to_none": ["alder", "lowered", "burn", "2025-01", False],
        "asked_no_more": ["alder", "lowered", "redness", "2025-01", False],
        "renamed": ["alder", "lowered", "burn", "2025-01", False],
        "entered_in_error": ["alder", "lowered", "blister", "2025-01", True],
        "milder": ["alder", "lowered", "burn", "2025-01", False],
        "serious_no_more": ["alder", "lowered", "burn", "2025-01", False],
        "another_harm": ["alder", "lowered", "burn", "2025-01", False],
    }


def test_withdrawn_harms_are_listed(listed: dict[str, list[Any]]) -> None:
    withdrawn = {key: rest for key, rest in listed.items() if rest[1] == "withdrawn"}
    assert withdrawn == {
        "withdrawn": ["birch", "withdrawn", "corneal", "2025-01", False],
        "only_there": ["alder", "withdrawn", "burn", "2025-03-15", False],
        "never_any": ["alder", "withdrawn", "blister", "2025-03-15", False],
        "milder_before": ["alder", "withdrawn", "burn", "2025-03-15", False],
    }


def test_refused_harms_are_listed_unless_a_row_records_them(listed: dict[str, list[Any]]) -> None:
    refused_ones = {key: rest for key, rest in listed.items() if rest[1] == "refused"}
    assert refused_ones == {
        "refused_only": ["alder", "refused", "burn", "2025-01", False],
        "refused_report": ["alder", "refused", "corneal", "2025-02", False],
        "corrected_away": ["alder", "refused", "swelling", "2025-01", False],
        "unread": ["alder", "refused", "unknown", "2025-02", False],
    }


def test_what_stands_or_grows_is_not_listed(listed: dict[str, list[Any]]) -> None:
    standing = {"kept", "raised", "graver", "corrected", "stood_before"}
    assert standing.isdisjoint(listed)
