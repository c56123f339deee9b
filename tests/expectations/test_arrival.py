"""Each expectation of the arrival gate accepts ordinary inputs and finds its own fault."""

from collections.abc import Callable
from copy import deepcopy
from datetime import date
from decimal import Decimal

import pytest

from expectations import Severity, arrival

SITE, OTHER = "alder", "birch"
OLDEST, NEWEST = "2024-01", "2024-08"
HARM = {"site": SITE, "batch": NEWEST, "kind": "sessions", "harm_key": "0123456789abcdef-r"}

SPOILED: dict[str, Callable] = {}


def breaks(*slugs: str):
    """Names the expectations that a way of spoiling the inputs must break, and no others."""

    def keep(spoil: Callable) -> Callable:
        SPOILED[spoil.__name__] = (spoil, set(slugs))
        return spoil

    return keep


@breaks("rows_conserved")
def a_row_is_lost(inputs):
    inputs.counted[SITE, NEWEST, "visits"] = {"rows_read": 41}


@breaks("rows_conserved")
def a_row_is_counted_but_not_stored(inputs):
    inputs.counted[SITE, NEWEST, "visits"] = {"rows_read": 41, "accepted": 41}


@breaks("rows_conserved")
def a_refused_row_is_nowhere(inputs):
    inputs.counted[SITE, NEWEST, "visits"] = {"rows_read": 41, "refused": 1}


@breaks("files_readable")
def a_file_is_refused(inputs):
    inputs.counted[SITE, NEWEST, "plans"] = {"file_refused": True, "file_reason": "No column."}


@breaks("refused_share_bearable", "refused_share_low")
def a_third_of_the_rows_is_refused(inputs):
    inputs.refused[SITE, NEWEST, "visits"] = [{}] * 20


@breaks("refused_share_low")
def a_ninth_of_the_rows_is_refused(inputs):
    inputs.refused[SITE, NEWEST, "visits"] = [{}] * 5


@breaks("refused_share_low")
def all_rows_of_a_small_kind_are_refused(inputs):
    inputs.refused[SITE, NEWEST, "plans"] = [{}] * 19


@breaks()
def four_slips_are_refused(inputs):
    inputs.accepted[SITE, NEWEST, "plans"] = []
    inputs.refused[SITE, NEWEST, "plans"] = [{}] * 4


@breaks("rows_as_usual")
def an_export_is_cut(inputs):
    del inputs.accepted[SITE, NEWEST, "outcomes"][15:]


@breaks()
def an_old_export_was_cut(inputs):
    del inputs.accepted[SITE, OLDEST, "outcomes"][15:]


@breaks("rows_as_usual")
def a_full_export_shrinks(inputs):
    inputs.exports[SITE] = "full"
    del inputs.accepted[SITE, NEWEST, "outcomes"][15:]


@breaks("required_kinds_exported", "required_kinds_in_batch")
def a_required_kind_never_came(inputs):
    for unit in [u for u in inputs.accepted if u[0] == SITE and u[2] == "outcomes"]:
        del inputs.accepted[unit]


@breaks("required_kinds_in_batch", "rows_as_usual")
def a_required_kind_is_missing_this_month(inputs):
    del inputs.accepted[SITE, NEWEST, "outcomes"]


@breaks("sites_export")
def a_site_never_exported(inputs):
    for unit in [u for u in inputs.accepted if u[0] == SITE]:
        del inputs.accepted[unit]


@breaks("exports_fresh")
def a_site_is_months_late(inputs):
    inputs.as_of = date(2024, 10, 31)


@breaks("columns_filled_as_usual")
def a_column_is_lost(inputs):
    inputs.change(SITE, NEWEST, "visits", severity_grade=None)


@breaks("values_within_contract", "values_mostly_within_contract")
def most_values_are_above_range(inputs):
    inputs.flagged_values = [flagged("plateau_temp_c", "above_range", 30)]


@breaks("values_mostly_within_contract")
def a_few_values_are_nearly_all_emptied(inputs):
    inputs.flagged_values = [flagged("age_years", "out_of_range", 19, kind="visits")]


@breaks("values_mostly_within_contract")
def some_values_are_emptied(inputs):
    inputs.change(SITE, NEWEST, "visits", age_years=50)
    inputs.flagged_values = [flagged("age_years", "out_of_range", 5, kind="visits")]


def flagged(column: str, reason: str, count: int, kind: str = "sessions"):
    unit = {"site": SITE, "batch": NEWEST, "kind": kind, "file": f"{kind}.csv"}
    return unit | {"column_name": column, "reason": reason, "flagged": count}


@breaks("units_unchanged")
def plateaus_come_in_fahrenheit(inputs):
    inputs.change(SITE, NEWEST, "sessions", plateau_temp_c=Decimal(108))


@breaks("units_unchanged")
def plateaus_came_in_fahrenheit_long_ago(inputs):
    """Older data are as wrong as new ones, while a warning of old is not repeated."""
    inputs.as_of = date(2024, 12, 31)
    for month in ("2024-09", "2024-10", "2024-11", "2024-12"):
        inputs.add_month(month)
    inputs.change(SITE, NEWEST, "sessions", plateau_temp_c=Decimal(108), chair_minutes=Decimal(1))


@breaks("means_as_usual")
def chair_time_comes_in_hours(inputs):
    inputs.change(SITE, NEWEST, "sessions", chair_minutes=Decimal("0.6"))


@breaks("units_unchanged")
def scores_come_unscaled(inputs):
    inputs.change(SITE, NEWEST, "outcomes", value=Decimal(19))


@breaks()
def scores_fall_as_far_as_a_few_patients_may_take_them(inputs):
    inputs.change(SITE, NEWEST, "outcomes", value=Decimal(12))
    for row in inputs.accepted[SITE, NEWEST, "outcomes"][:4]:
        row["value"] = Decimal(100)


@breaks()
def a_column_is_left_empty_somewhat_more_often(inputs):
    for (site, _, kind), rows in inputs.accepted.items():
        if (site, kind) == (SITE, "visits"):
            for row in rows[:20]:
                row["severity_grade"] = None
    for row in inputs.accepted[SITE, NEWEST, "visits"][20:30]:
        row["severity_grade"] = None


@breaks()
def a_few_more_temperature_logs_came(inputs):
    for month, logs in [(f"2024-0{number}", 1) for number in range(1, 8)] + [(NEWEST, 3)]:
        inputs.accepted[SITE, month, "temperatures"] = [
            {"session_key": inputs.key_of(month, log), "eye": "right", "t_s": t, "temp_c": 42}
            for log in range(logs)
            for t in range(100)
        ]


@breaks()
def a_few_patients_have_many_values(inputs):
    """Twenty patients with ten values each: two thirds of the patients lack them this month."""
    for (site, month, kind), rows in list(inputs.accepted.items()):
        if (site, kind) == (SITE, "outcomes"):
            kept = rows[: 6 if month == NEWEST else 20]
            inputs.accepted[site, month, kind] = [
                row | {"outcome_key": inputs.key_of(row["outcome_key"], number)}
                for row in kept
                for number in range(10)
            ]


@breaks("links_hold", "links_mostly_hold")
def visits_come_with_other_numbers(inputs):
    for (site, month, kind), rows in inputs.accepted.items():
        if (site, kind) == (SITE, "visits"):
            for number, row in enumerate(rows):
                row["patient_key"] = inputs.key_of("other", month, number)


@breaks("links_mostly_hold")
def some_patients_have_no_visit(inputs):
    del inputs.accepted[SITE, NEWEST, "visits"][33:]


@breaks("links_mostly_hold")
def adverse_events_name_unknown_sessions(inputs):
    inputs.accepted[SITE, NEWEST, "adverse_events"] = [
        event(inputs, number, session_key=inputs.key_of("nowhere", number)) for number in range(5)
    ]


@breaks("contents_differ_between_sites")
def one_export_lies_under_two_sites(inputs):
    rows = deepcopy(inputs.accepted[OTHER, NEWEST, "outcomes"])
    for row, own in zip(rows, inputs.accepted[SITE, NEWEST, "outcomes"], strict=True):
        row.update(outcome_key=own["outcome_key"], patient_key=own["patient_key"])
    inputs.accepted[SITE, NEWEST, "outcomes"] = rows


@breaks("harms_settled")
def a_harm_stands_in_a_refused_row(inputs):
    inputs.refused_harms = [HARM | {"event": "burn"}]


@breaks("harms_settled")
def a_harm_stands_in_a_withdrawn_batch(inputs):
    inputs.refused_harms = [
        HARM | {"event": "burn", "batch": "2024-08-15", "withdrawn_last_day": date(2024, 8, 15)}
    ]


@breaks()
def forgotten_rows_are_counted_apart(inputs):
    inputs.counted[SITE, NEWEST, "treatments"] = {"rows_read": 3, "forgotten": 3}


@breaks("rows_conserved")
def forgotten_rows_are_not_counted(inputs):
    inputs.counted[SITE, NEWEST, "treatments"] = {"rows_read": 3, "forgotten": 2}


@breaks("harms_settled")
def a_session_no_longer_tells_of_its_harm(inputs):
    told = dict(inputs.accepted[SITE, OLDEST, "sessions"][0])
    inputs.accepted[SITE, OLDEST, "sessions"][0]["adverse_event"] = "burn"
    inputs.accepted[SITE, NEWEST, "sessions"].append(told)


@breaks("harms_settled")
def a_report_is_made_milder(inputs):
    inputs.accepted[SITE, OLDEST, "adverse_events"] = [event(inputs, 1, severity="severe")]
    inputs.accepted[SITE, NEWEST, "adverse_events"] = [event(inputs, 1, severity="mild")]


@breaks("harms_settled")
def a_report_is_no_longer_serious(inputs):
    inputs.accepted[SITE, OLDEST, "adverse_events"] = [event(inputs, 1, serious=True)]
    inputs.accepted[SITE, NEWEST, "adverse_events"] = [event(inputs, 1, serious=None)]


@breaks("harms_settled")
def a_full_export_withdraws_a_report(inputs):
    inputs.exports[SITE] = "full"
    inputs.accepted[SITE, OLDEST, "adverse_events"] = [event(inputs, 1)]
    inputs.accepted[SITE, NEWEST, "adverse_events"] = [event(inputs, 2)]


@breaks()
def an_export_of_changes_leaves_a_report_out(inputs):
    inputs.accepted[SITE, OLDEST, "adverse_events"] = [event(inputs, 1)]
    inputs.accepted[SITE, NEWEST, "adverse_events"] = [event(inputs, 2)]


@breaks()
def a_refused_harm_is_settled(inputs):
    inputs.refused_harms = [HARM | {"event": "burn"}]
    inputs.settled_harms = [{"site": SITE, "harm": HARM["harm_key"]}]


@breaks()
def a_refused_harm_came_again(inputs):
    row = inputs.accepted[SITE, NEWEST, "sessions"][0]
    row["adverse_event"] = "burn"
    inputs.refused_harms = [
        HARM | {"event": "burn", "harm_key": row["session_key"][:16] + "-r", "batch": OLDEST}
    ]


def event(inputs, number: int, **values):
    day = date(2024, 1, 1 + number)
    return {
        "event_key": inputs.key_of("event", number),
        "patient_key": inputs.accepted[SITE, OLDEST, "visits"][number]["patient_key"],
        "onset_date": day,
        "event": "redness",
        "severity": "mild",
    } | values


def test_ordinary_inputs_pass(inputs):
    report = inputs.check()

    assert [result for result in report.results if not result.success] == []
    assert len(report.results) == len(arrival.DECLARATIONS) + 1


@pytest.mark.parametrize("name", SPOILED)
def test_spoiled_inputs_break_what_they_should(inputs, name):
    spoil, slugs = SPOILED[name]
    spoil(inputs)

    report = inputs.check()

    assert {result.expectation for result in report.results if not result.success} == slugs
    severities = {d.slug: d.severity for d in arrival.DECLARATIONS}
    assert report.stopped == any(severities[slug] is Severity.STOP for slug in slugs)


def test_each_expectation_has_a_case_that_breaks_it():
    broken = {slug for _, slugs in SPOILED.values() for slug in slugs}

    assert broken == {declaration.slug for declaration in arrival.DECLARATIONS}


def test_few_rows_raise_no_alarm(inputs):
    """Two rows a month, of which a batch may lack half, are no history to judge by."""
    for rows in inputs.accepted.values():
        del rows[2:]
    inputs.change(SITE, NEWEST, "visits", severity_grade=None)
    inputs.change(SITE, NEWEST, "outcomes", value=Decimal(5))
    del inputs.accepted[SITE, NEWEST, "sessions"][1:]

    assert [result for result in inputs.check().results if not result.success] == []


def test_a_short_history_raises_no_alarm(inputs):
    """The sixth batch has five before it, one fewer than a judgement needs."""
    for unit in [unit for unit in inputs.accepted if unit[1] > "2024-06"]:
        del inputs.accepted[unit]
    inputs.as_of = date(2024, 6, 30)
    inputs.change(SITE, "2024-06", "visits", severity_grade=None)
    del inputs.accepted[SITE, "2024-06", "outcomes"][3:]

    assert [result for result in inputs.check().results if not result.success] == []
