"""Repeated rows and keys within a batch, and eye rows of one session that disagree."""

from decimal import Decimal

import pytest

from tests.ingest.invented import SOUND


def counts(exports):
    report = exports.read()
    return report.files.select("file", "accepted", "refused", "exact_repeats").rows()


class TestExactRepeats:
    @pytest.mark.parametrize("kind", SOUND)
    def test_they_count_once(self, exports, kind):
        exports.write(kind, {}, {}, {})
        assert counts(exports) == [(f"{kind}.csv", 1, 0, 2)]
        assert exports.accepted(kind)["source_row"].to_list() == [2]

    def test_they_are_charged_to_the_later_file_by_name(self, exports):
        exports.write("visits", {}, {"visit_id": "V2"}, file="visits-b.csv")
        exports.write("visits", {}, file="visits-a.csv")
        assert counts(exports) == [("visits-a.csv", 1, 0, 0), ("visits-b.csv", 1, 0, 1)]

    def test_what_is_written_otherwise_but_stored_alike_is_a_repeat(self, exports):
        exports.write("visits", {"drops_per_day": "4"}, {"drops_per_day": "+4.0"})
        assert counts(exports) == [("visits.csv", 1, 0, 1)]

    def test_a_refused_row_repeats_too(self, exports):
        exports.write("visits", {"visit_date": "never"}, {"visit_date": "never"})
        assert counts(exports) == [("visits.csv", 0, 1, 1)]

    def test_a_row_without_a_key_repeats_too(self, exports):
        exports.write("visits", {"visit_id": ""}, {"visit_id": ""})
        assert counts(exports) == [("visits.csv", 0, 1, 1)]

    def test_batches_are_not_compared(self, exports):
        exports.write("visits", {})
        exports.write("visits", {}, batch="2026-04")
        assert counts(exports) == [("visits.csv", 1, 0, 0)] * 2


class TestRepeatedKeys:
    def test_rows_of_one_key_that_differ_are_all_refused(self, exports):
        exports.write("visits", {}, {"sex": "male"}, {"visit_id": "V2"}, {"sex": "other"})
        assert counts(exports) == [("visits.csv", 1, 3, 0)]
        assert exports.reasons("visits") == [[("visit_id", "repeated_key")]] * 3

    def test_over_files_of_a_batch_too(self, exports):
        exports.write("visits", {}, file="visits-a.csv")
        exports.write("visits", {"sex": "male"}, file="visits-b.csv")
        assert counts(exports) == [("visits-a.csv", 0, 1, 0), ("visits-b.csv", 0, 1, 0)]

    def test_exact_repeats_among_them_count_once(self, exports):
        exports.write("visits", {}, {"sex": "male"}, {})
        assert counts(exports) == [("visits.csv", 0, 2, 1)]

    def test_a_faulty_row_of_the_key_refuses_the_sound_one(self, exports):
        exports.write("visits", {}, {"visit_date": "never"})
        assert counts(exports) == [("visits.csv", 0, 2, 0)]
        assert exports.reasons("visits") == [
            [("visit_id", "repeated_key")],
            [("visit_date", "unreadable"), ("visit_id", "repeated_key")],
        ]

    def test_rows_that_differ_only_in_what_cannot_be_read_differ(self, exports):
        exports.write("visits", {"age_years": "old"}, {"age_years": "older"})
        assert counts(exports) == [("visits.csv", 0, 2, 0)]

    def test_rows_without_a_key_have_none_to_repeat(self, exports):
        exports.write("visits", {"visit_id": ""}, {"visit_id": "", "sex": "male"})
        exports.read()
        assert exports.reasons("visits") == [[("visit_id", "missing")]] * 2

    def test_a_sessions_key_is_session_and_eye(self, exports):
        exports.write("sessions", {}, {"eye": "left"}, {"minutes": "5"})
        assert counts(exports) == [("sessions.csv", 1, 2, 0)]
        assert exports.reasons("sessions") == [[("session_id, eye", "repeated_key")]] * 2


class TestEyesThatDisagree:
    @pytest.mark.parametrize(
        ("column", "other"),
        [
            ("patient_id", "P2"),
            ("session_date", "2026-03-09"),
            ("purpose", "maintenance"),
            ("protocol", "three_monthly"),
            ("chair_minutes", "44"),
            ("screened", "no"),
        ],
    )
    def test_both_are_refused(self, exports, column, other):
        exports.write("sessions", {}, {"eye": "left", column: other}, {"session_id": "S2"})
        assert counts(exports) == [("sessions.csv", 1, 2, 0)]
        assert exports.reasons("sessions") == [[(column, "eyes_disagree")]] * 2

    def test_every_column_in_which_they_disagree_is_told(self, exports):
        exports.write("sessions", {}, {"eye": "left", "screened": "no", "patient_id": "P2"})
        exports.read()
        told = [("patient_id", "eyes_disagree"), ("screened", "eyes_disagree")]
        assert exports.reasons("sessions") == [told] * 2

    def test_what_belongs_to_the_eye_may_differ(self, exports):
        exports.write("sessions", {}, {"eye": "left", "minutes": "5", "adverse_event": "burn"})
        assert counts(exports) == [("sessions.csv", 2, 0, 0)]

    @pytest.mark.parametrize("text", ["", "a while"])
    def test_an_unknown_value_disagrees_with_none(self, exports, text):
        exports.write("sessions", {}, {"eye": "left", "chair_minutes": text})
        assert counts(exports) == [("sessions.csv", 2, 0, 0)]

    def test_a_row_refused_for_itself_does_not_disagree(self, exports):
        exports.write("sessions", {}, {"eye": "left", "protocol": "ten_daily"})
        assert counts(exports) == [("sessions.csv", 1, 1, 0)]
        assert exports.reasons("sessions") == [[("protocol", "unknown_protocol")]]


class TestSamplesOfOneTime:
    def samples(self, exports, *temperatures, **changes):
        exports.write("temperatures", *({"temp_c": t} | changes for t in temperatures))
        counted = counts(exports)
        return exports.accepted("temperatures")["temp_c"].to_list(), counted[0][1:]

    def test_they_are_averaged_into_the_first(self, exports):
        assert self.samples(exports, "41", "42", "42.1") == ([Decimal("41.7")], (1, 0, 2))
        flagged = exports.report.flagged_values.select("column_name", "reason", "flagged").rows()
        assert flagged == [("temp_c", "averaged", 2)]

    def test_an_exact_repeat_does_not_weigh_twice(self, exports):
        assert self.samples(exports, "41", "42", "42") == ([Decimal("41.5")], (1, 0, 2))

    def test_a_mean_is_rounded_to_six_places(self, exports):
        assert self.samples(exports, "41", "41", "42", "42.000001")[0] == [Decimal("41.666667")]

    def test_a_refused_sample_takes_no_part(self, exports):
        assert self.samples(exports, "41", "-1", "42") == ([Decimal("41.5")], (1, 1, 1))

    def test_other_times_eyes_and_sessions_stay_apart(self, exports):
        exports.write(
            "temperatures",
            {},
            {"t_s": "0.5", "temp_c": "42"},
            {"eye": "left", "temp_c": "43"},
            {"session_id": "S2", "temp_c": "44"},
        )
        assert counts(exports) == [("temperatures.csv", 4, 0, 0)]

    def test_in_two_files_they_are_averaged_too(self, exports):
        exports.write("temperatures", {"temp_c": "41"}, file="temperatures-1.csv")
        exports.write("temperatures", {"temp_c": "42"}, file="temperatures-2.csv")
        assert counts(exports) == [
            ("temperatures-1.csv", 1, 0, 0),
            ("temperatures-2.csv", 0, 0, 1),
        ]
        assert exports.accepted("temperatures")["temp_c"].to_list() == [Decimal("41.5")]
