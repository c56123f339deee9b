"""Each rule of a mapping: what it changes on the way to the checks, and what it leaves to them."""

from datetime import date
from decimal import Decimal

import polars as pl
import pytest

from tests.ingest.invented import SOUND

PATIENTS = b"patient_id,status,treated_before\n"


def rows(exports, kind, *names):
    """Accepted rows after a run."""
    exports.read()
    return exports.accepted(kind).select(*names).rows()


def why(exports, kind):
    """Why a kind's only file is refused."""
    report = exports.read()
    told = report.files.filter(kind=kind).row(0, named=True)
    assert told["file_refused"]
    assert told["rows_read"] == 0
    return told["file_reason"]


def kept(exports, kind):
    report = exports.read()
    return report.files.filter(kind=kind).select("rows_read", "accepted", "refused").row(0)


class TestColumns:
    def test_names_in_any_case_and_spacing(self, exports):
        exports.map('[patients.columns]\npatient_id = "Patient no"\nstatus = "STATE"')
        exports.write_bytes("patients.csv", b" patient  NO ,State\nP1,active\n")
        assert rows(exports, "patients", "status", "source_row") == [("active", 2)]

    def test_a_column_is_looked_for_by_the_contracts_name_where_none_is_given(self, exports):
        exports.map('[patients.columns]\npatient_id = "no"')
        exports.write_bytes("patients.csv", b"no,status\nP1,moved\n")
        assert rows(exports, "patients", "status") == [("moved",)]

    def test_a_mapped_column_must_be_there_even_if_it_is_optional(self, exports):
        exports.map('[patients.columns]\nstatus_date = "Since"')
        exports.write_bytes("patients.csv", b"patient_id,status\nP1,active\n")
        assert why(exports, "patients") == (
            "The column Since is missing; export it again, or correct "
            "patients.columns.status_date in mappings/alder.toml."
        )

    def test_a_mapped_column_that_stands_twice(self, exports):
        exports.map('[patients.columns]\npatient_id = "No"')
        exports.write_bytes("patients.csv", b"no,NO,status\nP1,P2,active\n")
        assert why(exports, "patients") == "The column No stands in it twice; leave one out."

    def test_several_columns_become_one_and_an_empty_one_makes_it_empty(self, exports):
        exports.map('[visits.columns]\nvisit_id = ["Patient", "Day"]\npatient_id = "Patient"\n'
                    'visit_date = "Day"')  # fmt: skip
        exports.write_bytes(
            "visits.csv", b"patient,day,visit_reason\nP1,2026-03-02,course\n,2026-03-03,course\n"
        )
        exports.write("visits", {"visit_id": "P1-2026-03-02"}, site="birch")
        exports.read()
        own, other = exports.accepted("visits"), exports.accepted("visits", site="birch")
        assert own["visit_date"].to_list() == [date(2026, 3, 2)]
        assert exports.reasons("visits") == [[("visit_id", "missing"), ("patient_id", "missing")]]
        exports.map("", site="alder")
        exports.write("visits", {"visit_id": "P1-2026-03-02"})
        exports.read()
        assert exports.accepted("visits")["visit_key"].to_list() == own["visit_key"].to_list()
        assert other["visit_key"].to_list() != own["visit_key"].to_list()

    def test_a_column_that_nobody_names_is_flagged_as_before(self, exports):
        exports.map('[patients.columns]\npatient_id = "no"')
        exports.write_bytes("patients.csv", b"no,status,patient_id\nP1,active,x\n")
        flagged = exports.read().flagged_values.select("column_name", "reason", "flagged")
        assert flagged.rows() == [("patient_id", "unknown_column", 1)]


class TestWords:
    def test_codes_in_any_case_and_the_contracts_own_stay(self, exports):
        exports.map('[patients.codes.status]\nAktiv = "active"\n"weg gezogen" = "moved"')
        exports.write_bytes(
            "patients.csv", b"patient_id,status\n1,AKTIV\n2,Weg gezogen\n3,deceased\n4,tot\n"
        )
        assert rows(exports, "patients", "status") == [("active",), ("moved",), ("deceased",)]
        assert exports.reasons("patients") == [[("status", "unknown_code")]]
        assert exports.refused("patients")["status"].to_list() == ["tot"]

    def test_a_protocol_is_mapped_and_then_judged(self, exports):
        exports.map('[codes.protocol]\n4x = "four_fortnightly"\n5x = "five"')
        exports.write("sessions", {"protocol": "4X"}, {"session_id": "S2", "protocol": "5x"})
        assert rows(exports, "sessions", "protocol") == [("four_fortnightly",)]
        assert exports.reasons("sessions") == [[("protocol", "unknown_protocol")]]

    def test_yes_and_no(self, exports):
        exports.map('yes = ["j", "1"]\nno = "N"')
        exports.write_bytes(
            "patients.csv",
            PATIENTS + b"1,active,J\n2,active,1\n3,active,n\n4,active,yes\n5,active,0\n",
        )
        assert rows(exports, "patients", "treated_before") == [
            (True,), (True,), (False,), (True,), (None,),
        ]  # fmt: skip
        assert exports.report.flagged_values["reason"].to_list() == ["unknown_code"]

    def test_words_for_nothing(self, exports):
        exports.map('empty = ["n/a", "-"]')
        exports.write_bytes("patients.csv", PATIENTS + b"1,active,N/A\n2,-,-\n3,active,--\n")
        assert rows(exports, "patients", "treated_before") == [(None,), (None,)]
        assert exports.report.flagged_values["flagged"].to_list() == [1]
        assert exports.reasons("patients") == [[("status", "missing")]]

    def test_default_eye_where_none_is_told(self, exports):
        exports.map('[outcomes]\ndefault_eye = "both"')
        exports.write("outcomes", {"eye": ""}, {"outcome_id": "O2", "eye": "",
                      "measure": "meiboscore", "value": "2"})  # fmt: skip
        assert rows(exports, "outcomes", "eye") == [("both",)]
        assert exports.reasons("outcomes") == [[("eye", "needs_single_eye")]]

    def test_default_eye_where_there_is_no_such_column(self, exports):
        exports.map('[outcomes]\ndefault_eye = "both"')
        exports.write_bytes(
            "outcomes.csv",
            b"outcome_id,patient_id,assessed_date,measure,value\nO1,P1,2026-03-04,osdi,20\n,,,,\n",
        )
        assert rows(exports, "outcomes", "eye", "source_row") == [("both", 2)]
        assert kept(exports, "outcomes") == (1, 1, 0)


class TestDates:
    @pytest.mark.parametrize(
        ("order", "text"),
        [
            ("dd.mm.yyyy", "04.03.2026"),
            ("dd.mm.yyyy", "4.3.2026"),
            ("mm/dd/yyyy", "03/04/2026"),
            ("dd/mm/yyyy", "04/03/2026"),
            ("yyyymmdd", "20260304"),
            ("dd.mm.yyyy hh:mm", "04.03.2026 17:45"),
            ("dd/mm/yyyy", "2026-03-04"),
        ],
    )
    def test_in_the_order_that_is_declared(self, exports, order, text):
        exports.map(f'dates = "{order}"')
        exports.write("outcomes", {"assessed_date": text})
        assert rows(exports, "outcomes", "assessed_date") == [(date(2026, 3, 4),)]

    @pytest.mark.parametrize(
        "text", ["31.02.2026", "04/03/2026", "04.03.26", "04.03.0202", "4. March", "0.3.2026"]
    )
    def test_what_is_not_in_it_is_unreadable_and_stays_as_it_was(self, exports, text):
        exports.map('dates = "dd.mm.yyyy"')
        exports.write("outcomes", {"assessed_date": text})
        assert rows(exports, "outcomes", "value") == []
        assert exports.reasons("outcomes") == [[("assessed_date", "unreadable")]]
        assert exports.refused("outcomes")["assessed_date"].to_list() == [text]

    def test_an_order_that_is_not_declared_refuses_the_file(self, exports):
        days = [{"outcome_id": f"O{n}", "assessed_date": f"0{n}/04/2026"} for n in range(1, 5)]
        exports.write("outcomes", *days)
        assert why(exports, "outcomes") == (
            "The column assessed_date has dates such as 03/04/2026, which can be of March or of "
            'April; say dates = "dd/mm/yyyy" or "mm/dd/yyyy", with the mark that they have, in '
            "mappings/alder.toml."
        )

    def test_a_single_slip_among_iso_dates_refuses_its_row_alone(self, exports):
        days = [{"outcome_id": f"O{n}", "assessed_date": f"2026-03-0{n}"} for n in range(1, 5)]
        exports.write("outcomes", *days, {"assessed_date": "03/04/2026", "outcome_id": "O9"})
        assert kept(exports, "outcomes") == (5, 4, 1)


class TestNumbers:
    def values(self, exports, *texts):
        changes = [{"outcome_id": f"O{n}", "value": text} for n, text in enumerate(texts)]
        exports.write("outcomes", *changes)
        return [value for (value,) in rows(exports, "outcomes", "value")]

    def test_a_decimal_comma(self, exports):
        exports.map('delimiter = ";"\ndecimal = ","')
        text = "outcome_id;patient_id;assessed_date;eye;measure;value\n"
        for n, value in enumerate(["31,25", "31", "31.25", "1.031,25", "3,1,2"]):
            text += f"O{n};P1;2026-03-04;both;osdi;{value}\n"
        exports.write_bytes("outcomes.csv", text.encode())
        assert rows(exports, "outcomes", "value") == [(Decimal("31.25"),), (Decimal(31),)]
        assert exports.reasons("outcomes") == [[("value", "unreadable")]] * 3

    def test_a_comma_that_is_not_declared_refuses_the_file(self, exports):
        exports.write("outcomes", *({"outcome_id": f"O{n}", "value": "31,25"} for n in range(3)))
        assert why(exports, "outcomes") == (
            "The column value has numbers such as 1,234, whose comma can be of decimals or of "
            'thousands; say decimal = "," in mappings/alder.toml.'
        )

    def test_a_point_declared_leaves_commas_to_the_checks(self, exports):
        exports.map('decimal = "."')
        assert self.values(exports, "1,5", "2,5", "3,5", "4.5") == [Decimal("4.5")]

    @pytest.mark.parametrize(
        ("kind", "column", "unit", "text", "value"),
        [
            ("sessions", "plateau_temp_c", "fahrenheit", "106.88", "41.6"),
            ("sessions", "plateau_temp_c", "celsius", "41.6", "41.6"),
            ("sessions", "max_temp_c", "fahrenheit", "104", "40"),
            ("sessions", "minutes", "seconds", "378", "6.3"),
            ("sessions", "minutes", "hours", "0.1", "6"),
            ("sessions", "chair_minutes", "hours", "0.75", "45"),
            ("visits", "home_care_minutes_per_day", "hours_a_week", "1.458333333", "12.5"),
            ("visits", "home_care_minutes_per_day", "hours_a_day", "0.5", "30"),
            ("visits", "home_care_minutes_per_day", "minutes_a_week", "70", "10"),
            ("visits", "drops_per_day", "drops_a_week", "28", "4"),
            ("temperatures", "temp_c", "fahrenheit", "106.88", "41.6"),
            ("temperatures", "t_s", "milliseconds", "1500", "1.5"),
            ("temperatures", "t_s", "minutes", "1.5", "90"),
        ],
    )
    def test_units(self, exports, kind, column, unit, text, value):
        exports.map(f'[{kind}.units]\n{column} = "{unit}"')
        exports.write(kind, {column: text})
        assert rows(exports, kind, column) == [(Decimal(value),)]

    @pytest.mark.parametrize("text", ["warm", "nan", "inf", "1e309", "-inf"])
    def test_what_is_no_number_stays_so_in_any_unit(self, exports, text):
        exports.map('[temperatures.units]\ntemp_c = "fahrenheit"')
        exports.write("temperatures", {"temp_c": text})
        exports.read()
        assert exports.reasons("temperatures") == [[("temp_c", "unreadable")]]
        assert exports.refused("temperatures")["temp_c"].to_list() == [text]

    def test_the_range_is_judged_in_the_contracts_unit(self, exports):
        exports.map('[temperatures.units]\ntemp_c = "fahrenheit"')
        exports.write("temperatures", {"temp_c": "31"})
        exports.read()
        assert exports.reasons("temperatures") == [[("temp_c", "out_of_range")]]

    def test_typed_cells_need_no_order_and_no_comma(self, exports):
        exports.map('dates = "dd.mm.yyyy"\ndecimal = ","')
        cells = SOUND["outcomes"] | {"assessed_date": date(2026, 3, 4), "value": 31.25}
        pl.DataFrame([cells]).write_parquet(exports.folder() / "outcomes.parquet")
        assert rows(exports, "outcomes", "assessed_date", "value") == [
            (date(2026, 3, 4), Decimal("31.25"))
        ]


WIDE = """
[outcomes.columns]
outcome_id = ["No", "Seen"]
patient_id = "No"
assessed_date = "Seen"
[outcomes.wide]
OSDI = { measure = "osdi" }
"Scan R" = { measure = "meiboscore", eye = "right" }
"Scan L" = { measure = "meiboscore", eye = "left" }
"""
WIDE_HEADER = b"No,Seen,OSDI,Scan R,Scan L\n"


class TestWide:
    def test_one_row_for_each_filled_cell(self, exports):
        exports.map(WIDE)
        exports.write_bytes(
            "outcomes.csv",
            WIDE_HEADER + b"P1,2026-03-04,31.25,2,3\nP2,2026-03-05,,,1\nP3,2026-03-06,,,\n,,,,\n",
        )
        assert rows(exports, "outcomes", "measure", "eye", "value", "source_row") == [
            ("osdi", "both", Decimal("31.25"), 2),
            ("meiboscore", "right", Decimal(2), 2),
            ("meiboscore", "left", Decimal(3), 2),
            ("meiboscore", "left", Decimal(1), 3),
        ]
        assert kept(exports, "outcomes") == (4, 4, 0)

    def test_an_id_is_made_of_the_rows_and_what_the_column_holds(self, exports):
        exports.map(WIDE)
        exports.write_bytes("outcomes.csv", WIDE_HEADER + b"P1,2026-03-04,,2,\n")
        own = rows(exports, "outcomes", "outcome_key")
        exports.map("")
        exports.write("outcomes", {"outcome_id": "P1-2026-03-04-meiboscore-right"})
        assert rows(exports, "outcomes", "outcome_key") == own

    def test_each_value_is_judged_by_its_own_measure(self, exports):
        exports.map(WIDE)
        exports.write_bytes("outcomes.csv", WIDE_HEADER + b"P1,2026-03-04,31,7,x\n")
        assert rows(exports, "outcomes", "measure") == [("osdi",)]
        assert exports.reasons("outcomes") == [
            [("value", "out_of_range")],
            [("value", "unreadable")],
        ]
        assert exports.refused("outcomes")["source_row"].to_list() == [2, 2]

    def test_a_row_twice_repeats_its_keys(self, exports):
        exports.map(WIDE)
        exports.write_bytes(
            "outcomes.csv", WIDE_HEADER + b"P1,2026-03-04,31,2,\nP1,2026-03-04,31,3,\n"
        )
        report = exports.read()
        assert report.files.select("accepted", "exact_repeats", "refused").row(0) == (1, 1, 2)
        assert exports.reasons("outcomes") == [[("outcome_id", "repeated_key")]] * 2

    def test_a_column_that_is_missing(self, exports):
        exports.map(WIDE)
        exports.write_bytes("outcomes.csv", b"No,Seen,OSDI,Scan R\nP1,2026-03-04,31,2\n")
        assert why(exports, "outcomes") == (
            "The column Scan L is missing; export it again, or correct outcomes.wide in "
            "mappings/alder.toml."
        )

    def test_a_decimal_comma_in_a_wide_column(self, exports):
        exports.map('decimal = ","\n' + WIDE)
        exports.write_bytes(
            "outcomes.csv", WIDE_HEADER.replace(b",", b";") + b"P1;2026-03-04;31,25;2;\n"
        )
        assert rows(exports, "outcomes", "value") == [(Decimal("31.25"),), (Decimal(2),)]


class TestSkipping:
    def counted(self, exports):
        report = exports.read()
        skipped = report.flagged_values.filter(reason="skipped")
        assert set(skipped["column_name"]) <= {"whole_row"}
        file = report.files.select("rows_read", "accepted", "refused").row(0)
        return file, skipped["flagged"].sum()

    @pytest.mark.parametrize(
        "rule",
        ['equals = "TOTAL"', 'begins_with = ["to", "x"]', 'column = "Status"\nis_empty = true'],
    )
    def test_total_rows(self, exports, rule):
        exports.map(f"[[patients.skip]]\n{rule}")
        exports.write_bytes("patients.csv", b"patient_id,status\nP1,active\nTotal,\nP2,moved\n")
        assert self.counted(exports) == ((2, 2, 0), 1)
        assert exports.accepted("patients")["source_row"].to_list() == [2, 4]

    def test_a_footer_that_does_not_fit_the_header(self, exports):
        exports.map('[[patients.skip]]\nbegins_with = "Printed"')
        exports.write_bytes("patients.csv", b"patient_id,status\nP1,active\nprinted today\nP2\n")
        assert self.counted(exports) == ((2, 1, 1), 1)
        assert exports.refused("patients")["source_row"].to_list() == [4]

    def test_what_no_rule_speaks_of_stays(self, exports):
        exports.map('[[patients.skip]]\ncolumn = "status"\nequals = "total"')
        exports.write_bytes("patients.csv", b"patient_id,status\nTotal,active\nP2,totals\n")
        assert self.counted(exports) == ((2, 1, 1), 0)

    def test_a_rules_column_must_be_there(self, exports):
        exports.map('[[patients.skip]]\ncolumn = "Sum"\nis_empty = true')
        exports.write_bytes("patients.csv", b"patient_id,status\nP1,active\n")
        assert why(exports, "patients") == (
            "The column Sum is missing; export it again, or correct patients.skip in "
            "mappings/alder.toml."
        )

    def test_lines_above_the_header(self, exports):
        exports.map("header_row = 3")
        exports.write_bytes(
            "patients.csv", b"Clinic list\n\npatient_id,status\nP1,active\nP2\nP3,moved\n"
        )
        exports.read()
        assert exports.accepted("patients")["source_row"].to_list() == [4, 6]
        assert exports.refused("patients")["source_row"].to_list() == [5]

    def test_a_header_beyond_the_end(self, exports):
        exports.map("header_row = 9")
        exports.write_bytes("patients.csv", b"patient_id,status\nP1,active\n")
        assert why(exports, "patients") == "It ends before row 9, its header; correct header_row."


def test_a_mapping_is_the_sites_own(exports):
    exports.map('[patients.columns]\npatient_id = "No"', site="birch")
    exports.write("patients", {})
    exports.write("patients", {}, site="birch")
    report = exports.read()
    assert report.files.select("site", "file_refused").rows() == [("alder", False), ("birch", True)]


def test_another_mapping_reads_the_unit_anew(exports):
    exports.write("patients", {"treated_before": "j"})
    exports.read()
    assert exports.accepted("patients")["treated_before"].to_list() == [None]
    exports.map('yes = "j"')
    report = exports.read()
    assert [unit.cached for unit in report.units] == [False]
    assert exports.accepted("patients")["treated_before"].to_list() == [True]
    assert [unit.cached for unit in exports.read().units] == [True]
