"""Rows of forgotten patients are dropped on arrival: counted, and kept nowhere."""

import hmac

import polars as pl
import pytest

from ingest import gathering
from ingest.contract import KINDS
from ingest.forgotten import Forgotten, is_theirs, read_forgotten, write_forgotten
from pipeline.workspace import Workspace
from tests.ingest.invented import SECRET, SOUND, Exports

OF_PATIENTS = [kind.name for kind in KINDS if "patient_id" in SOUND[kind.name]]


def key(own_id: str, entity: str = "patient", site: str = "alder") -> str:
    return hmac.digest(SECRET, f"{site}/{entity}/{own_id}".encode(), "sha256").hex()[:32]


def forget(workspace: Workspace, *keys: str) -> None:
    workspace.root.mkdir(parents=True, exist_ok=True)
    write_forgotten(workspace, Forgotten({"alder": frozenset(keys)}))


def counts(exports: Exports, kind: str) -> list[tuple[int, ...]]:
    of_kind = exports.read().files.filter(pl.col("kind") == kind)
    return of_kind.select("rows_read", "accepted", "refused", "exact_repeats", "forgotten").rows()


def another_patients(kind: str) -> dict[str, str]:
    return {name: f"{name}2" for name in SOUND[kind] if name.endswith("_id")}


@pytest.mark.parametrize("kind", OF_PATIENTS)
def test_a_forgotten_patients_rows_are_dropped_and_anothers_stay(exports, kind):
    exports.write(kind, {}, {}, another_patients(kind))
    forget(exports.workspace, key("P1"))
    assert counts(exports, kind) == [(3, 1, 0, 0, 2)]
    assert exports.accepted(kind)["patient_key"].to_list() == [key("patient_id2")]


def test_a_row_that_would_be_refused_is_in_no_quarantine(exports):
    exports.write("visits", {"visit_date": "never"}, {"visit_id": "V2", "patient_id": "P2"})
    forget(exports.workspace, key("P1"))
    assert counts(exports, "visits") == [(2, 1, 0, 0, 1)]
    assert exports.refused("visits").is_empty()
    assert not list(exports.workspace.quarantine.rglob("*.parquet"))


def test_the_harm_in_a_dropped_row_is_not_listed(exports):
    exports.write("adverse_events", {"severity": ""})
    assert exports.read().refused_harms.height == 1
    forget(exports.workspace, key("P1"))
    assert exports.read().refused_harms.is_empty()


def test_an_equal_number_of_another_clinic_is_another_patient(exports):
    exports.write("visits", {}, site="birch")
    exports.write("visits", {})
    forget(exports.workspace, key("P1"))
    assert counts(exports, "visits") == [(1, 0, 0, 0, 1), (1, 1, 0, 0, 0)]


def test_only_the_clinics_own_units_are_read_anew(exports):
    exports.write("visits", {}, site="birch")
    exports.write("visits", {})
    exports.read()
    forget(exports.workspace, key("P1"))
    assert {unit.site: unit.cached for unit in exports.read().units} == {
        "alder": False,
        "birch": True,
    }


def test_spaces_around_the_number_make_no_other_patient(exports):
    exports.write("visits", {"patient_id": "  P1 "})
    forget(exports.workspace, key("P1"))
    assert counts(exports, "visits") == [(1, 0, 0, 0, 1)]


class TestTemperatures:
    """A log names a session only; the sessions tell whose it is."""

    def test_the_sessions_of_any_batch_tell(self, exports):
        exports.write("sessions", {}, {"session_id": "S2", "patient_id": "P2"}, batch="2026-02")
        exports.write("temperatures", {}, {"t_s": "1"}, {"session_id": "S2"})
        forget(exports.workspace, key("P1"))
        assert counts(exports, "temperatures") == [(3, 1, 0, 0, 2)]
        assert exports.accepted("temperatures")["session_key"].to_list() == [key("S2", "session")]

    def test_a_later_export_of_the_session_tells_too(self, exports):
        exports.write("temperatures", {})
        forget(exports.workspace, key("P1"))
        assert counts(exports, "temperatures") == [(1, 1, 0, 0, 0)]
        exports.write("sessions", {}, batch="2026-04")
        assert counts(exports, "temperatures") == [(1, 0, 0, 0, 1)]

    def test_a_listed_session_is_enough(self, exports):
        exports.write("temperatures", {})
        forget(exports.workspace, key("P1"), key("S1", "session"))
        assert counts(exports, "temperatures") == [(1, 0, 0, 0, 1)]

    def test_sessions_that_are_refused_whole_tell_nothing(self, exports):
        exports.write_bytes("sessions.csv", b"\xff\xfe")
        exports.write("temperatures", {})
        forget(exports.workspace, key("P1"))
        assert counts(exports, "temperatures") == [(1, 1, 0, 0, 0)]


def test_a_large_unit_drops_them_too(exports, monkeypatch):
    monkeypatch.setattr(gathering, "IN_MEMORY_BYTES", 1)
    exports.write("visits", {}, {"visit_id": "V2", "patient_id": "P2"})
    forget(exports.workspace, key("P1"))
    assert counts(exports, "visits") == [(2, 1, 0, 0, 1)]


@pytest.mark.parametrize(
    ("row", "theirs"),
    [
        ({"patient_key": "p", "session_key": "other"}, True),
        ({"patient_key": "other", "session_key": "s"}, False),  # put right since: another's session
        ({"patient_key": None, "session_key": "s"}, True),
        ({"patient_key": None, "session_key": None}, False),
        ({"session_key": "s"}, True),
        ({"session_key": "other"}, False),
        ({"patient_key": "p"}, True),
        ({"visit_key": "p"}, False),
    ],
)
def test_the_patient_a_row_names_decides_or_else_its_session(row, theirs):
    rows = pl.DataFrame([row], schema=dict.fromkeys(row, pl.String))
    assert rows.select(is_theirs(rows.columns, frozenset({"p", "s"}))).item() is theirs


def test_the_list_is_read_as_it_was_written_and_is_for_its_owner_only(exports):
    workspace = exports.workspace
    workspace.root.mkdir()
    assert read_forgotten(workspace) == Forgotten()
    listed = Forgotten().with_more("alder", frozenset({"one"})).with_more("alder", frozenset("2"))
    write_forgotten(workspace, listed)
    assert read_forgotten(workspace) == listed
    assert listed.of("alder") == {"one", "2"}
    assert (listed.unfinished, listed.of("birch")) == (("alder",), frozenset())
    assert workspace.forgotten.stat().st_mode & 0o077 == 0
