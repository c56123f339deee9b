"""A withdrawn batch counts nowhere, and its harms stay listed."""

from datetime import date

import pytest

from ingest.batches import find_exports
from ingest.withdrawing import harms_of_batch
from ingest.withdrawn import Withdrawal, read_withdrawn, write_withdrawn
from pipeline.errors import WrongUse

HARM = {"kind": "sessions", "harm_key": "0123456789abcdef-r", "event": "burn"}


def withdraw(exports, batch, *harms, last_day="2026-04-30"):
    first_day = f"{batch[:7]}-01"
    withdrawal = Withdrawal("alder", batch, first_day, last_day, "2026-05-02", harms)
    write_withdrawn(exports.workspace, [withdrawal])


def batch_of(exports, name):
    batches = find_exports(exports.workspace).batches
    return next(batch for batch in batches if batch.name == name)


def test_it_is_read_as_if_it_were_not_there(exports):
    for batch in ("2026-03", "2026-04", "2026-05"):
        exports.write("visits", {}, batch=batch)
    exports.write("visits", {}, site="birch", batch="2026-04")
    withdraw(exports, "2026-04")
    report = exports.read()
    assert report.batches.select("site", "batch", "position").rows() == [
        ("alder", "2026-03", 1),
        ("alder", "2026-05", 2),
        ("birch", "2026-04", 1),
    ]
    assert report.withdrawn == ("alder/2026-04",)
    assert {(unit.site, unit.batch) for unit in report.units} == {
        ("alder", "2026-03"),
        ("alder", "2026-05"),
        ("birch", "2026-04"),
    }


def test_the_newest_one_moves_the_as_of_date_back(exports):
    exports.write("visits", {})
    exports.write("visits", {}, batch="2026-04")
    withdraw(exports, "2026-04")
    assert exports.read().as_of == date(2026, 3, 31)


def test_where_all_are_withdrawn_the_message_says_so(exports):
    exports.write("visits", {}, batch="2026-04")
    withdraw(exports, "2026-04")
    with pytest.raises(WrongUse, match=r"was withdrawn\..*--undo"):
        exports.read()


def test_its_harms_are_listed_even_without_its_files(exports):
    exports.write("visits", {}, batch="2026-05")
    withdraw(exports, "2026-04", HARM)
    [harm] = exports.read().refused_harms.to_dicts()
    assert (harm["batch"], harm["event"]) == ("2026-04", "burn")
    assert harm["withdrawn_last_day"] == date(2026, 4, 30)


def test_before_it_begins_they_are_not(make_exports):
    exports = make_exports(as_of=date(2026, 3, 31))
    exports.write("visits", {})
    withdraw(exports, "2026-04", HARM)
    report = exports.read()
    assert (report.refused_harms.height, report.withdrawn) == (0, ())


def test_every_harm_a_batch_tells_of_is_taken_down(exports):
    exports.write(
        "sessions",
        {"adverse_event": "burn"},
        {"eye": "left"},
        {"session_id": "S2", "adverse_event": "blister", "protocol": "ten_daily"},
        {"session_id": "S3", "adverse_event": ""},
    )
    exports.write("adverse_events", {"severity": "severe", "serious": "yes"})
    exports.write("adverse_events", {"event_id": "E2"}, batch="2026-04")
    harms = harms_of_batch(exports.workspace, batch_of(exports, "2026-03"))
    told = [(harm["event"], harm.get("severity"), harm.get("serious")) for harm in harms]
    assert told == [
        ("burn", None, None),
        ("blister", None, None),
        ("redness", "severe", True),
    ]
    assert [harm["event_date"] for harm in harms] == ["2026-03-03", "2026-03-03", "2026-03-04"]


def test_a_harm_is_known_by_the_key_that_its_accepted_row_has(exports):
    exports.write("sessions", {"adverse_event": "burn"})
    exports.write("adverse_events", {})
    exports.read()
    session = exports.accepted("sessions")["session_key"][0]
    event = exports.accepted("adverse_events")["event_key"][0]
    harms = harms_of_batch(exports.workspace, batch_of(exports, "2026-03"))
    assert [harm["harm_key"] for harm in harms] == [f"{session[:16]}-r", event[:16]]


def test_the_list_is_read_as_it_was_written(exports):
    exports.workspace.root.mkdir()
    assert read_withdrawn(exports.workspace) == ()
    withdraw(exports, "2026-04", HARM)
    [withdrawal] = read_withdrawn(exports.workspace)
    assert (withdrawal.place, withdrawal.harms) == (("alder", "2026-04"), (HARM,))
    assert exports.workspace.withdrawn.stat().st_mode & 0o077 == 0
