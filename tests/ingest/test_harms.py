"""A harm in a row that is refused, or that cannot be read, is listed all the same."""

from datetime import date

import pytest

from tests.ingest.invented import SOUND


def harms(exports, *columns):
    return exports.read().refused_harms.select(*columns).rows()


class TestSessions:
    @pytest.mark.parametrize(
        "harm", ["redness", "discomfort", "swelling", "blister", "burn", "corneal", "other"]
    )
    def test_a_harm_in_a_refused_row_is_listed(self, exports, harm):
        exports.write("sessions", {"adverse_event": harm, "protocol": "ten_daily"})
        assert harms(exports, "kind", "eye", "event", "event_date", "source_row") == [
            ("sessions", "right", harm, date(2026, 3, 3), 2)
        ]

    @pytest.mark.parametrize("text", ["none", ""])
    def test_no_harm_is_none(self, exports, text):
        exports.write("sessions", {"adverse_event": text, "protocol": "ten_daily"})
        assert harms(exports, "event") == []

    def test_a_harm_in_an_accepted_row_is_not(self, exports):
        exports.write("sessions", {"adverse_event": "burn"})
        assert harms(exports, "event") == []
        assert exports.accepted("sessions")["adverse_event"].to_list() == ["burn"]

    def test_a_harm_that_cannot_be_read_is_listed_though_its_row_stands(self, exports):
        exports.write("sessions", {"adverse_event": "burned", "eye": "left"})
        assert harms(exports, "eye", "event") == [("left", "unknown")]
        assert exports.accepted("sessions")["adverse_event"].to_list() == [None]

    def test_its_key_is_the_sessions_and_the_eyes(self, exports):
        exports.write("sessions", {"adverse_event": "burn", "minutes": "5"}, {"eye": "left"})
        exports.read()
        session = exports.accepted("sessions")["session_key"][0]
        exports.write("sessions", {"adverse_event": "burn", "purpose": ""}, {"eye": "left"})
        assert harms(exports, "harm_key", "session_key") == [(f"{session[:16]}-r", session)]

    def test_without_session_or_eye_it_is_known_by_its_place(self, exports):
        exports.write(
            "sessions",
            {"adverse_event": "burn", "session_id": ""},
            {"adverse_event": "burn", "eye": "middle"},
        )
        found = harms(exports, "harm_key", "eye")
        assert [eye for _, eye in found] == ["right", None]
        assert len({key for key, _ in found}) == 2
        assert found == harms(exports, "harm_key", "eye")

    def test_both_rows_of_a_repeated_key_are_listed(self, exports):
        exports.write("sessions", {"adverse_event": "burn"}, {"adverse_event": "blister"})
        assert harms(exports, "event") == [("burn",), ("blister",)]

    def test_a_day_that_is_no_day_leaves_the_harm_without(self, exports):
        exports.write("sessions", {"adverse_event": "burn", "session_date": "never"})
        assert harms(exports, "event", "event_date") == [("burn", None)]


class TestReports:
    def test_every_refused_row_is_a_harm(self, exports):
        exports.write(
            "adverse_events",
            {"severity": ""},
            {"event_id": "E2", "event": "burnt"},
            {"event_id": "E3", "event": ""},
        )
        assert harms(exports, "event", "event_date") == [
            ("redness", date(2026, 3, 4)),
            ("unknown", date(2026, 3, 4)),
            ("unknown", date(2026, 3, 4)),
        ]

    def test_its_key_is_the_events(self, exports):
        exports.write("adverse_events", {})
        exports.read()
        event = exports.accepted("adverse_events")["event_key"][0]
        exports.write("adverse_events", {"onset_date": ""})
        assert harms(exports, "harm_key") == [(event[:16],)]


class TestRowsWhoseCellsCannotBeToldApart:
    def test_a_harms_code_in_a_sessions_line_is_found(self, exports):
        path = exports.write("sessions", {"adverse_event": "burn"}, {"adverse_event": "none"})
        path.write_text(path.read_text().replace("right,", "right,,"))
        assert harms(exports, "event", "event_date", "source_row") == [("burn", None, 2)]

    def test_every_such_line_of_reports_is_a_harm(self, exports):
        path = exports.write("adverse_events", {}, {"event_id": "E2", "event": ""})
        path.write_text(path.read_text().replace("right,", "right,,"))
        assert harms(exports, "event", "source_row") == [("redness", 2), ("unknown", 3)]


@pytest.mark.parametrize("kind", sorted(set(SOUND) - {"sessions", "adverse_events"}))
def test_other_kinds_tell_of_no_harm(exports, kind):
    exports.write(kind, {next(iter(SOUND[kind])): ""})
    exports.read()
    assert exports.refused(kind).height == 1
    assert exports.report.refused_harms.is_empty()
