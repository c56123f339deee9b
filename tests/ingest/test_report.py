"""What a run tells: frames in a fixed order, and refused rows that leave an older one in force."""

from datetime import date

import polars as pl
import pytest

from ingest import ingest
from ingest.checking import Account
from ingest.contract import KINDS
from ingest.units import prove_conservation
from pipeline.errors import DataRefused
from tests.ingest.invented import SOUND


class TestWouldHaveReplaced:
    def replaced(self, exports):
        return exports.read().refused_reasons.select("batch", "rows", "would_have_replaced").rows()

    @pytest.mark.parametrize("kind", sorted(set(SOUND) - {"temperatures"}))
    def test_a_refused_row_of_a_key_that_an_earlier_batch_holds(self, exports, kind):
        required = next(
            column.name
            for k in KINDS
            if k.name == kind
            for column in k.columns
            if column.required and column.name not in k.grain
        )
        exports.write(kind, {}, batch="2026-03")
        exports.write(kind, {required: ""}, batch="2026-04")
        assert self.replaced(exports) == [("2026-04", 1, 1)]

    def test_not_one_of_a_key_that_no_batch_holds(self, exports):
        exports.write("visits", {}, batch="2026-03")
        exports.write("visits", {"visit_id": "V2", "visit_date": ""}, batch="2026-04")
        assert self.replaced(exports) == [("2026-04", 1, 0)]

    def test_not_one_of_a_key_that_only_a_later_batch_holds(self, exports):
        exports.write("visits", {"visit_date": ""}, batch="2026-03")
        exports.write("visits", {}, batch="2026-04")
        assert self.replaced(exports) == [("2026-03", 1, 0)]

    def test_not_one_of_another_sites_key(self, exports):
        exports.write("visits", {}, site="birch", batch="2026-03")
        exports.write("visits", {"visit_date": ""}, batch="2026-04")
        assert self.replaced(exports) == [("2026-04", 1, 0)]

    def test_not_one_whose_key_is_missing(self, exports):
        exports.write("visits", {}, batch="2026-03")
        exports.write("visits", {"visit_id": ""}, batch="2026-04")
        assert self.replaced(exports) == [("2026-04", 1, 0)]

    def test_not_the_other_eye(self, exports):
        exports.write("sessions", {}, batch="2026-03")
        exports.write("sessions", {"eye": "left", "purpose": ""}, batch="2026-04")
        assert self.replaced(exports) == [("2026-04", 1, 0)]

    def test_not_a_sample_of_a_temperature_log(self, exports):
        exports.write("temperatures", {}, batch="2026-03")
        exports.write("temperatures", {"temp_c": ""}, batch="2026-04")
        assert self.replaced(exports) == [("2026-04", 1, 0)]

    def test_each_reason_counts_its_rows(self, exports):
        exports.write("visits", {}, {"visit_id": "V2"}, batch="2026-03")
        faults = {"visit_date": "", "visit_reason": "?"}
        exports.write("visits", faults, {"visit_id": "V3", "visit_date": ""}, batch="2026-04")
        report = exports.read()
        counted = report.refused_reasons.select(
            "column_name", "reason", "rows", "would_have_replaced"
        )
        assert counted.rows() == [
            ("visit_date", "missing", 2, 1),
            ("visit_reason", "unknown_code", 1, 1),
        ]


def test_frames_are_in_order_of_site_batch_kind_and_file(exports):
    for site in ("birch", "alder"):
        for batch in ("2026-04", "2026-03"):
            for kind in ("visits", "outcomes"):
                exports.write(kind, {}, {next(iter(SOUND[kind])): ""}, site=site, batch=batch)
                exports.write(kind, {}, site=site, batch=batch, file=f"{kind}-1.csv")
    report = exports.read()
    for frame in (report.files, report.refused_reasons):
        places = frame.select("site", "batch", "kind", "file").rows()
        assert places == sorted(places)
        assert len(places) in (8, 16)


def test_an_empty_report_keeps_its_columns_types(exports):
    exports.write("visits", {})
    empty = exports.read()
    exports.write("visits", {"sex": "?"}, {"visit_id": "V2", "visit_date": ""})
    exports.write("sessions", {"adverse_event": "burn", "purpose": ""})
    filled = exports.read()
    for frame in ("files", "refused_reasons", "flagged_values", "refused_harms", "batches"):
        assert getattr(empty, frame).schema == getattr(filled, frame).schema
    assert filled.refused_harms["event_date"].to_list() == [date(2026, 3, 3)]


def test_progress_counts_units_done_up_to_all(exports):
    for kind in ("visits", "sessions", "outcomes"):
        exports.write(kind, {})
    told: list[tuple[int, int]] = []
    ingest(exports.workspace, on_progress=lambda done, total: told.append((done, total)))
    assert told == [(1, 3), (2, 3), (3, 3)]


def test_accepted_and_refused_files_hold_what_the_report_counts(exports):
    exports.write("visits", {}, {"visit_id": "V2", "visit_date": ""}, {})
    report = exports.read()
    counted = report.files.row(0, named=True)
    assert pl.read_parquet(report.units[0].accepted).height == counted["accepted"]
    assert pl.read_parquet(report.units[0].refused).height == counted["refused"]


class TestQuarantine:
    def test_it_keeps_where_the_row_stood_its_keys_and_its_cells_text(self, exports):
        exports.write("visits", {"visit_id": "V0"}, {"visit_date": "03/04/2026", "sex": "?"})
        exports.read()
        row = exports.refused("visits").row(0, named=True)
        assert (row["source_file"], row["source_row"]) == ("visits.csv", 3)
        assert (row["visit_date"], row["sex"], row["age_years"]) == ("03/04/2026", "?", "61")
        assert row["patient_key"] == exports.accepted("visits")["patient_key"][0]

    def test_it_keeps_at_most_40_characters_of_a_cell(self, exports):
        exports.write("visits", {"visit_date": "x" * 500, "sex": "ü" * 41})
        exports.read()
        row = exports.refused("visits").row(0, named=True)
        assert (row["visit_date"], row["sex"]) == ("x" * 40, "ü" * 40)


class TestConservation:
    def account(self, **changes: int) -> Account:
        file = {"file": "visits.csv", "rows_read": 10, "accepted": 7, "refused": 2}
        return {"files": [file | {"exact_repeats": 1, "forgotten": 0} | changes]}

    def test_rows_that_are_all_accounted_for_pass(self, exports):
        exports.write("visits", {})
        export = self.export(exports)
        prove_conservation(export, self.account())

    @pytest.mark.parametrize(
        "part", ["rows_read", "accepted", "refused", "exact_repeats", "forgotten"]
    )
    def test_a_row_too_many_anywhere_stops_the_run(self, exports, part):
        exports.write("visits", {})
        account = self.account()
        account["files"][0][part] += 1
        with pytest.raises(DataRefused, match=r"visits.csv: 1[01] rows were read, but 1[01]"):
            prove_conservation(self.export(exports), account)

    def test_it_is_proved_of_cached_units_too(self, exports, monkeypatch):
        exports.write("visits", {})
        exports.read()
        proved = []
        monkeypatch.setattr("ingest.units.prove_conservation", lambda *_: proved.append(1))
        assert exports.read().units[0].cached
        assert proved == [1]

    def export(self, exports):
        from ingest.batches import find_exports

        return find_exports(exports.workspace).exports[0]
