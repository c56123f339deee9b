"""The stage's front door: what a gate leaves behind, and what the warehouse keeps of it."""

import re

import duckdb
import pytest

from expectations import Gate, GateReport, GateResult, Severity, check, record

KEY = re.compile(r"[0-9a-f]{16,32}")


def result(**changes) -> GateResult:
    return GateResult(
        **{
            "gate": Gate.ARRIVAL,
            "expectation": "rows_conserved",
            "description": "It's kept.",
            "severity": Severity.STOP,
            "success": False,
            "observed": "2 found in 10 rows",
            "offending": ("alder/a", "alder/b"),
            "next_step": "Look.",
        }
        | changes
    )


def test_a_gate_that_passes_leaves_nothing(inputs):
    release = inputs.write()

    assert not check(release, Gate.ARRIVAL).stopped
    assert [path.name for path in release.root.iterdir()] == ["inputs"]


def test_a_gate_that_stops_leaves_what_it_measured(inputs):
    inputs.counted["alder", "2024-08", "visits"] = {"rows_read": 41}
    release = inputs.write()

    assert check(release, Gate.ARRIVAL).stopped
    with duckdb.connect(str(release.root / "arrival.duckdb"), read_only=True) as connection:
        assert connection.sql("select count(*) from file_rows").fetchall() == [(48,)]


def test_a_gate_measures_anew_what_an_older_run_left(inputs):
    inputs.counted["alder", "2024-08", "visits"] = {"rows_read": 41}
    stopped = check(inputs.write(), Gate.ARRIVAL)
    del inputs.counted["alder", "2024-08", "visits"]

    assert stopped.stopped
    assert not check(inputs.write(), Gate.ARRIVAL).stopped


@pytest.mark.parametrize("gate", Gate)
def test_progress_reaches_its_total(inputs, demo_release, gate):
    told: list[tuple[int, int]] = []
    release = inputs.write() if gate is Gate.ARRIVAL else demo_release

    report = check(release, gate, on_progress=lambda done, total: told.append((done, total)))

    assert told == sorted(told)
    assert len({total for _, total in told}) == 1
    assert told[-1][0] == told[-1][1] >= len(report.results) - 1


def test_the_same_inputs_give_the_same_report(inputs):
    inputs.as_of = inputs.as_of.replace(year=2025)
    inputs.change("alder", "2024-08", "sessions", plateau_temp_c=108)
    release = inputs.write()

    assert check(release, Gate.ARRIVAL) == check(release, Gate.ARRIVAL)


def test_what_is_named_is_pseudonymous(inputs):
    """Patients show up by the keys that ingest made, whole or shortened, and never otherwise."""
    del inputs.accepted["alder", "2024-08", "visits"][20:]
    report = check(inputs.write(), Gate.ARRIVAL)

    [orphans] = [r for r in report.results if r.expectation == "links_mostly_hold"]
    assert len(orphans.offending) == 20
    for named in orphans.offending:
        site, _, key = named.split("/")
        assert site == "alder"
        assert KEY.fullmatch(key)


@pytest.mark.parametrize(
    ("results", "stopped", "warnings"),
    [
        ([result(success=True)], False, 0),
        ([result()], True, 0),
        ([result(severity=Severity.WARN)], False, 1),
        ([result(severity=Severity.WARN), result()], True, 1),
    ],
)
def test_a_report_stops_only_at_a_failed_stop(results, stopped, warnings):
    report = GateReport(Gate.ARRIVAL, tuple(results))

    assert report.stopped == stopped
    assert len(report.warnings) == warnings


def test_the_warehouse_keeps_the_results(inputs):
    release = inputs.write()
    with duckdb.connect(str(release.warehouse)) as connection:
        connection.execute("create schema quality")
    reports = [
        GateReport(Gate.ARRIVAL, (result(),)),
        GateReport(Gate.BUILT, (result(gate=Gate.BUILT, success=True, offending=()),)),
    ]

    record(release, [GateReport(Gate.ARRIVAL, (result(),) * 3)])
    record(release, reports)

    with duckdb.connect(str(release.warehouse), read_only=True) as connection:
        rows = connection.sql("from quality.gate_results").fetchall()
        described = connection.execute(
            "select count(*) = count(comment) from duckdb_columns() "
            "where table_name = 'gate_results'"
        ).fetchone()
    told = ("rows_conserved", "It's kept.", "stop")
    assert rows == [
        ("arrival", *told, False, "2 found in 10 rows", "alder/a; alder/b", "Look."),
        ("built", *told, True, "2 found in 10 rows", "", "Look."),
    ]
    assert described == (True,)


def test_the_demo_passes_with_no_stop(demo_release):
    """Its planted faults are slips; only the clinic that is months late and harms are warned of."""
    arrival, built = check(demo_release, Gate.ARRIVAL), check(demo_release, Gate.BUILT)

    assert not arrival.stopped
    assert {warning.expectation for warning in arrival.warnings} == {
        "exports_fresh",
        "harms_settled",
    }
    assert [built.stopped, built.warnings] == [False, ()]
