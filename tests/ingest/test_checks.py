"""Every rule on a row's own cells, each with a value that passes and one that does not.

The ranges, codes and reasons come from the project's own contract, so no outside source is cited.
"""

from datetime import date
from decimal import Decimal

import polars as pl
import pytest

from ingest.contract import KINDS, KINDS_BY_NAME, MEASURES, Level, Type
from tests.ingest.invented import SOUND

CELLS = [(kind.name, column) for kind in KINDS for column in kind.columns]


def cells(*types: Type, required: bool | None = None):
    """The contract's columns of some types, as parameters."""
    return [
        pytest.param(kind, column.name, id=f"{kind}.{column.name}")
        for kind, column in CELLS
        if column.type in types and required in (None, column.required)
    ]


def flags(exports):
    return exports.report.flagged_values.select("column_name", "reason", "flagged").rows()


def put(exports, kind, column, text):
    """One sound row but for one cell; what came of it: refused reasons, or the stored value."""
    exports.write(kind, {column: text})
    exports.read()
    if exports.refused(kind).height:
        return exports.reasons(kind)[0]
    return exports.accepted(kind)[KINDS_BY_NAME[kind].column(column).stored_name][0]


def test_sound_rows_have_every_column_of_the_contract():
    assert {kind: list(row) for kind, row in SOUND.items()} == {
        kind.name: [column.name for column in kind.columns] for kind in KINDS
    }


@pytest.mark.parametrize("kind", SOUND)
def test_a_sound_row_is_accepted_whole_in_the_stored_schema(exports, kind):
    exports.write(kind, {})
    report = exports.read()
    accepted = exports.accepted(kind)
    assert accepted.schema == KINDS_BY_NAME[kind].stored_schema
    as_written = accepted.drop(KINDS_BY_NAME[kind].log_schema)
    assert as_written.null_count().sum_horizontal()[0] == 0
    assert report.files.select("rows_read", "accepted", "refused").rows() == [(1, 1, 0)]
    assert report.flagged_values.is_empty()


@pytest.mark.parametrize(
    ("kind", "column"),
    [pytest.param(k, c.name, id=f"{k}.{c.name}") for k, c in CELLS if c.required],
)
def test_a_required_cell_may_not_be_empty(exports, kind, column):
    assert put(exports, kind, column, "") == [(column, "missing")]


@pytest.mark.parametrize(
    ("kind", "column"),
    [pytest.param(k, c.name, id=f"{k}.{c.name}") for k, c in CELLS if not c.required],
)
def test_an_optional_cell_may_be_empty_and_is_not_flagged(exports, kind, column):
    assert put(exports, kind, column, "") is None
    assert flags(exports) == []


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("2026-02-30", "unreadable"),
        ("31.03.2026", "unreadable"),
        ("2026-3-4", "unreadable"),
        ("2026-03-04 09:30", "unreadable"),
        ("20260304", "unreadable"),
        ("yesterday", "unreadable"),
        ("+2026-03-04", "unreadable"),
        ("1999-12-31", "before_2000"),
        ("0202-03-04", "before_2000"),
        ("2026-04-01", "after_batch"),
        ("9999-12-31", "after_batch"),
    ],
)
class TestFaultyDays:
    @pytest.mark.parametrize(("kind", "column"), cells(Type.DATE, required=True))
    def test_a_required_day_refuses_its_row(self, exports, kind, column, text, reason):
        assert put(exports, kind, column, text) == [(column, reason)]

    @pytest.mark.parametrize(("kind", "column"), cells(Type.DATE, required=False)[:2])
    def test_an_optional_day_is_emptied_and_flagged(self, exports, kind, column, text, reason):
        assert put(exports, kind, column, text) is None
        assert flags(exports) == [(column, reason, 1)]


@pytest.mark.parametrize("day", ["2000-01-01", "2024-02-29", "2026-03-01", "2026-03-31"])
@pytest.mark.parametrize(("kind", "column"), cells(Type.DATE))
def test_a_day_from_2000_to_the_batchs_last_day_is_kept(exports, kind, column, day):
    assert put(exports, kind, column, day) == date.fromisoformat(day)


def test_a_batch_that_ends_within_its_month_refuses_what_comes_after(exports):
    days = [{"visit_id": day, "visit_date": f"2026-03-{day}"} for day in ("14", "15", "16")]
    exports.write("visits", *days, batch="2026-03-15")
    exports.read()
    assert exports.accepted("visits", batch="2026-03-15").height == 2
    assert exports.reasons("visits", batch="2026-03-15") == [[("visit_date", "after_batch")]]


RANGES = [
    pytest.param(kind, column, id=f"{kind}.{column.name}")
    for kind, column in CELLS
    if column.low is not None
]


class TestRanges:
    @pytest.mark.parametrize(("kind", "column"), RANGES)
    def test_both_ends_are_inside(self, exports, kind, column):
        for end, stored in ((column.low, column.low), (column.high, column.high)):
            if column.stored_at_most is not None:
                stored = min(stored, column.stored_at_most)
            assert put(exports, kind, column.name, str(end)) == stored

    @pytest.mark.parametrize(("kind", "column"), RANGES)
    def test_below_the_range(self, exports, kind, column):
        below = str(column.low - 1)
        if column.required:
            assert put(exports, kind, column.name, below) == [(column.name, "out_of_range")]
        else:
            assert put(exports, kind, column.name, below) is None
            assert flags(exports) == [(column.name, "out_of_range", 1)]

    @pytest.mark.parametrize(("kind", "column"), RANGES)
    def test_above_the_range(self, exports, kind, column):
        above = str(column.high + 1)
        outcome = put(exports, kind, column.name, above)
        if column.kept_above:
            assert outcome == Decimal(above)
            assert flags(exports) == [(column.name, "above_range", 1)]
        elif column.required:
            assert outcome == [(column.name, "out_of_range")]
        else:
            assert outcome is None
            assert flags(exports) == [(column.name, "out_of_range", 1)]

    def test_just_outside_counts_as_outside(self, exports):
        assert put(exports, "sessions", "minutes", "60.000001") is None
        assert put(exports, "sessions", "minutes", "59.999999") == Decimal("59.999999")

    def test_only_temperatures_are_kept_above_their_range(self):
        kept = {column.name for _, column in CELLS if column.kept_above}
        assert kept == {"plateau_temp_c", "max_temp_c", "temp_c"}

    def test_every_number_of_the_contract_has_a_range_or_a_measures(self):
        open_ended = [
            (kind, column.name)
            for kind, column in CELLS
            if column.type in (Type.INTEGER, Type.DECIMAL)
            and (column.low is None or column.high is None)
        ]
        assert open_ended == [("outcomes", "value")]


@pytest.mark.parametrize(
    ("text", "stored"),
    [
        ("7.3", "7.3"),
        ("+5", "5"),
        ("1e1", "10"),
        ("2.5E+1", "25"),
        (".5", "0.5"),
        ("5.", "5"),
        ("007", "7"),
        ("-0", "0"),
        ("12.3456784", "12.345678"),
    ],
)
def test_numbers_are_read_exactly(exports, text, stored):
    assert put(exports, "sessions", "minutes", text) == Decimal(stored)


@pytest.mark.parametrize(
    "text",
    ["nan", "NaN", "inf", "-inf", "Infinity", "7,3", "1 000", "6 min", "0x10", "1_0", "1e309", "-"],
)
class TestWhatIsNoNumber:
    def test_an_optional_one_is_emptied_and_flagged(self, exports, text):
        assert put(exports, "sessions", "minutes", text) is None
        assert flags(exports) == [("minutes", "unreadable", 1)]

    def test_a_required_one_refuses_its_row(self, exports, text):
        assert put(exports, "outcomes", "value", text) == [("value", "unreadable")]

    def test_a_temperature_is_refused_only_where_it_is_no_number(self, exports, text):
        assert put(exports, "temperatures", "temp_c", text) == [("temp_c", "unreadable")]


@pytest.mark.parametrize(("text", "stored"), [("4", 4), ("4.0", 4), ("4.5", None), ("four", None)])
def test_an_integer_may_be_written_with_a_point_but_has_no_fraction(exports, text, stored):
    assert put(exports, "plans", "sessions_planned", text) == stored


@pytest.mark.parametrize(("age", "stored"), [("88", 88), ("89", 89), ("90", 90), ("104", 90)])
def test_an_age_above_89_is_stored_as_90(exports, age, stored):
    """45 CFR 164.514(b)(2): ages over 89 are aggregated as 90 or older."""
    assert put(exports, "visits", "age_years", age) == stored


class TestCodes:
    @pytest.mark.parametrize(("kind", "column"), cells(Type.CODE))
    def test_every_code_of_the_contract_is_kept(self, exports, kind, column):
        codes = KINDS_BY_NAME[kind].column(column).codes
        if (kind, column) in (("outcomes", "eye"), ("outcomes", "measure")):
            codes = codes[-1:] if column == "eye" else codes[:1]  # the sound row's measure is osdi
        for code in codes:
            assert put(exports, kind, column, code) == code

    @pytest.mark.parametrize("text", ["nonsense", "all", "unknown", "Right", "NONE"])
    @pytest.mark.parametrize(("kind", "column"), cells(Type.CODE, required=True))
    def test_an_unknown_required_code_refuses_its_row(self, exports, kind, column, text):
        assert put(exports, kind, column, text) == [(column, "unknown_code")]

    @pytest.mark.parametrize(("kind", "column"), cells(Type.CODE, required=False))
    def test_an_unknown_optional_code_is_emptied_and_flagged(self, exports, kind, column):
        assert put(exports, kind, column, "nonsense") is None
        assert flags(exports) == [(column, "unknown_code", 1)]

    @pytest.mark.parametrize(("kind", "column"), cells(Type.YES_NO))
    def test_yes_and_no_are_kept_and_all_else_is_flagged(self, exports, kind, column):
        assert put(exports, kind, column, "yes") is True
        assert put(exports, kind, column, "no") is False
        assert put(exports, kind, column, "true") is None
        assert flags(exports) == [(column, "unknown_code", 1)]

    @pytest.mark.parametrize("column", ["operator", "device"])
    def test_a_clinics_own_code_has_no_space_and_is_not_reserved(self, exports, column):
        assert put(exports, "sessions", column, "Op_7-b") == "Op_7-b"
        for text in ("op 7", "unknown", "all", "x" * 41, "ä"):
            assert put(exports, "sessions", column, text) is None
            assert flags(exports) == [(column, "unknown_code", 1)]


class TestProtocols:
    def test_a_session_needs_a_protocol_of_the_group(self, exports):
        assert put(exports, "sessions", "protocol", "three_monthly") == "three_monthly"
        assert put(exports, "sessions", "protocol", "ten_daily") == [
            ("protocol", "unknown_protocol")
        ]

    def test_a_plan_may_name_one(self, exports):
        assert put(exports, "plans", "protocol", "three_monthly") == "three_monthly"
        assert put(exports, "plans", "protocol", "ten_daily") is None
        assert flags(exports) == [("protocol", "unknown_protocol", 1)]


class TestMeasures:
    @pytest.mark.parametrize("measure", MEASURES, ids=lambda measure: measure.name)
    def test_its_range_holds_for_the_value(self, exports, measure):
        eye = "both" if measure.level is Level.PATIENT else "left"
        values = (measure.low - 0.5, measure.low, measure.high, measure.high + 0.5)
        exports.write(
            "outcomes",
            *(
                {"outcome_id": str(n), "measure": measure.name, "eye": eye, "value": str(value)}
                for n, value in enumerate(values)
            ),
        )
        exports.read()
        assert exports.accepted("outcomes")["value"].to_list() == [measure.low, measure.high]
        assert exports.reasons("outcomes") == [[("value", "out_of_range")]] * 2

    @pytest.mark.parametrize("measure", MEASURES, ids=lambda measure: measure.name)
    def test_its_level_holds_for_the_eye(self, exports, measure):
        exports.write(
            "outcomes",
            *(
                {
                    "outcome_id": eye,
                    "measure": measure.name,
                    "eye": eye,
                    "value": str(measure.low),
                }
                for eye in ("right", "left", "both")
            ),
        )
        exports.read()
        if measure.level is Level.EYE:
            assert exports.accepted("outcomes")["eye"].to_list() == ["right", "left"]
            assert exports.reasons("outcomes") == [[("eye", "needs_single_eye")]]
        else:
            assert exports.accepted("outcomes")["eye"].to_list() == ["both"]
            assert exports.reasons("outcomes") == [[("eye", "needs_both_eyes")]] * 2

    def test_an_unknown_measure_limits_neither_value_nor_eye(self, exports):
        exports.write("outcomes", {"measure": "feeling", "value": "900", "eye": "left"})
        exports.read()
        assert exports.reasons("outcomes") == [[("measure", "unknown_code")]]


def test_all_reasons_of_a_row_are_told_at_once(exports):
    faults = {"patient_id": "", "assessed_date": "2026-04-09", "eye": "left", "value": "101"}
    exports.write("outcomes", faults)
    report = exports.read()
    assert exports.reasons("outcomes") == [
        [
            ("patient_id", "missing"),
            ("assessed_date", "after_batch"),
            ("eye", "needs_both_eyes"),
            ("value", "out_of_range"),
        ]
    ]
    assert report.refused_reasons["rows"].to_list() == [1] * 4


def test_flags_count_only_rows_that_stand(exports):
    exports.write("visits", {"sex": "x"}, {"visit_id": "V2", "sex": "y", "visit_date": ""})
    exports.read()
    assert flags(exports) == [("sex", "unknown_code", 1)]


def test_spaces_around_values_are_no_part_of_them(exports):
    padded = {column: f" \t{text}\u00a0 " for column, text in SOUND["visits"].items()}
    exports.write("visits", SOUND["visits"])
    exports.read()
    sound = exports.accepted("visits")
    exports.write("visits", padded)
    exports.read()
    assert exports.accepted("visits").equals(sound)


@pytest.mark.parametrize("id_", ["1234567890", "00012", "a b", "x" * 4096, "'; drop table", "é/ü"])
def test_any_id_is_taken_as_text(exports, id_):
    exports.write("visits", {"patient_id": id_}, {"visit_id": "V2", "patient_id": id_ + "0"})
    exports.read()
    keys = exports.accepted("visits")["patient_key"]
    assert keys.n_unique() == 2
    assert keys.str.contains(r"^[0-9a-f]{32}$").all()


def test_equal_ids_of_one_clinic_are_one_patient_in_every_kind(exports):
    for kind in SOUND:
        exports.write(kind, {})
    exports.read()
    patients = {
        exports.accepted(kind)["patient_key"][0] for kind in SOUND if kind != "temperatures"
    }
    sessions = {
        exports.accepted(kind)["session_key"][0]
        for kind in ("sessions", "adverse_events", "temperatures")
    }
    assert len(patients) == len(sessions) == 1


def test_equal_ids_of_two_clinics_are_two_patients(exports):
    for site in ("alder", "birch"):
        exports.write("patients", {}, site=site)
    exports.read()
    keys = [
        exports.accepted("patients", site=site)["patient_key"][0] for site in ("alder", "birch")
    ]
    assert keys[0] != keys[1]


def test_nothing_of_a_clinics_own_ids_is_stored(exports):
    exports.write("visits", {"patient_id": "OWN-ID-4711"}, {"visit_id": "OWN-ID-4712", "sex": "?"})
    exports.write("sessions", {"patient_id": "OWN-ID-4711", "session_date": "never"})
    exports.read()
    stored = [path for path in exports.workspace.root.rglob("*") if path.is_file()]
    kept = [path for path in stored if "exports" not in path.parts]
    assert len(kept) == 3
    for path in kept:
        text = pl.read_parquet(path).write_json()
        assert "OWN-ID" not in text
        assert b"OWN-ID" not in path.read_bytes()
