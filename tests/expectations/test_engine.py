"""A gate that checked nothing, or could not check, stops; what it says is always the same."""

import socket
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from expectations import Gate, GateReport, Severity
from expectations.declaration import Declaration, none_in, within
from expectations.engine import evaluate

MANY = 1000


@pytest.fixture
def database(tmp_path) -> Path:
    """Tables with a thousand rows, one row and none; a schema; a folder's name full of signs."""
    folder = tmp_path / "it's $HOME, 100% {odd}: #1"
    folder.mkdir()
    path = folder / "tables.duckdb"
    with duckdb.connect(str(path)) as connection:
        connection.execute("create schema cohorts")
        for name, rows in (("cohorts.many", MANY), ("one", 1), ("nothing", 0)):
            connection.execute(
                f"create table {name} as select format('key{{:04}}', i) as key, i as number, "
                f"i / {MANY} as share from range({rows}) as numbers (i)"
            )
    return path


def declared(slug="declared", table="one", expectation=None, **changes) -> Declaration:
    return Declaration(
        **{
            "slug": slug,
            "description": "It holds.",
            "finding": "It does not hold.",
            "next_step": "Mend it.",
            "severity": Severity.WARN,
            "table": table,
            "expectation": expectation or within("number", low=0),
        }
        | changes
    )


def report(database, *declarations) -> GateReport:
    return GateReport(Gate.BUILT, evaluate(Gate.BUILT, declarations, database))


def test_what_holds_passes(database):
    found = report(database, declared(), declared("other", "cohorts.many"))

    assert not found.stopped
    assert not found.warnings
    assert [result.observed for result in found.results] == [
        "none found in 1 rows",
        "none found in 1,000 rows",
        "2 of 2 evaluated",
    ]


def test_what_fails_warns_or_stops_as_declared(database):
    fails = none_in("select key from {batch}")

    warned = report(database, declared(expectation=fails))
    stopped = report(database, declared(expectation=fails, severity=Severity.STOP))

    assert (warned.stopped, [r.expectation for r in warned.warnings]) == (False, ["declared"])
    assert (stopped.stopped, [r.expectation for r in stopped.stops]) == (True, ["declared"])
    assert stopped.stops[0].next_step == "Mend it."


def test_a_gate_without_expectations_stops(database):
    found = report(database)

    assert found.stopped
    assert found.stops[0].expectation == "every_expectation_evaluated"


def test_no_rows_where_rows_are_needed_stop(database):
    found = report(database, declared(table="nothing"))

    assert found.stopped
    assert found.results[0].observed == "0 rows where at least 1 are needed"
    assert not report(database, declared(table="nothing", rows_at_least=0)).stopped


@pytest.mark.parametrize(
    "expectation",
    [within("no_such_column", low=0), none_in("select key from {batch} where no_such_column")],
)
def test_an_expectation_that_raises_stops(database, expectation):
    found = report(database, declared(), declared("raises", expectation=expectation))

    assert found.stopped
    assert found.stops[-1].offending == ("raises",)
    assert found.results[0].success
    assert found.results[1].observed.startswith("could not be evaluated: ")
    assert "\n" not in found.results[1].observed


@pytest.mark.parametrize("severity", list(Severity))
def test_what_was_not_evaluated_is_not_told_as_found(database, severity):
    fails = none_in("select key from {batch}")
    found = report(
        database,
        declared("empty", table="nothing", severity=severity),
        declared("failed", expectation=fails, severity=Severity.STOP),
    )

    assert [r.expectation for r in found.stops] == ["failed", "every_expectation_evaluated"]
    assert found.warnings == ()
    unknown = found.results[0]
    assert (unknown.success, unknown.evaluated, unknown.next_step) == (False, False, "")
    assert unknown.description.startswith("Not known: ")


def test_a_missing_table_stops(database):
    found = report(database, declared(), declared("missing", "cohorts.no_such_table"))

    assert found.stopped
    assert found.stops[-1].offending == ("missing",)


def test_an_expectation_that_the_library_drops_stops(database):
    """A suite keeps one of two equal expectations: the other must not pass unseen."""
    found = report(database, declared("first"), declared("second"))

    assert found.stopped
    assert found.results[1].observed == "was not evaluated"


@pytest.mark.parametrize("share", [-0.5, 0.5])
def test_nulls_and_rows_outside_the_condition_are_not_judged(database, share):
    with duckdb.connect(str(database)) as connection:
        connection.execute(f"insert into one values ('null', 5, null), ('other', -1, {share})")

    found = report(database, declared(expectation=within("share", low=0)))

    assert found.results[0].success == (share > 0)
    if not found.results[0].success:
        assert found.results[0].offending == ("other (share -0.5)",)


@pytest.mark.parametrize(
    "expectation",
    [within("share", high=0.1), none_in("select key, share from {batch} where share > 0.1")],
)
def test_the_first_twenty_offending_keys_are_named(database, expectation):
    found = report(database, declared(table="cohorts.many", expectation=expectation)).results[0]

    assert found.observed == "899 found"
    assert len(found.offending) == 20
    assert found.offending[0] == "key0101 (share 0.101)"
    assert list(found.offending) == sorted(found.offending)


def test_results_are_the_same_each_time(database):
    declarations = (
        declared("a", "cohorts.many", within("share", high=0.5)),
        declared("b", "cohorts.many", none_in("select key from {batch} where share > 0.5")),
        declared("c", expectation=none_in("select nope from {batch}")),
    )

    assert report(database, *declarations) == report(database, *declarations)


def test_progress_reaches_the_number_declared(database):
    told: list[tuple[int, int]] = []
    declarations = (declared("a"), declared("b", "cohorts.many"), declared("c", "nothing"))

    evaluate(Gate.BUILT, declarations, database, lambda done, total: told.append((done, total)))

    assert told == [(1, 3), (2, 3), (3, 3)]


def test_the_database_is_left_closed_and_unchanged(database):
    before = database.read_bytes()

    report(database, declared())

    assert database.read_bytes() == before
    with duckdb.connect(str(database)) as connection:  # fails while a reader holds the file
        connection.execute("create table written (number integer)")


def test_other_connections_keep_their_own_results(database):
    """The listener that buffers results is gone once the gate has run."""
    from sqlalchemy import Engine, event

    from expectations.engine import _buffer_rows

    report(database, declared())

    assert not event.contains(Engine, "after_cursor_execute", _buffer_rows)


WATCHED = """
import sys
from pathlib import Path

def refuse(event, _):
    if event in {"socket.connect", "socket.getaddrinfo", "socket.sendto", "socket.sendmsg"}:
        print(event)
        raise SystemExit(f"{event} was called")

sys.addaudithook(refuse)
from expectations import Gate, Severity
from expectations.declaration import Declaration, within
from expectations.engine import evaluate

declared = Declaration("a", "", "", "", Severity.STOP, "one", within("number", low=0))
print(evaluate(Gate.BUILT, [declared], Path(sys.argv[1]))[0].success)
"""


def test_nothing_is_sent_anywhere(database):
    """From the library's import on, no address is looked up and no socket connected."""
    told = subprocess.run(
        [sys.executable, "-c", WATCHED, str(database)], capture_output=True, text=True, check=True
    )

    assert told.stdout.strip() == "True"


def test_no_socket_is_opened(database, monkeypatch):
    def refuse(*_arguments, **_options):
        raise AssertionError("a socket was opened")

    for name in ("socket", "create_connection", "getaddrinfo"):
        monkeypatch.setattr(socket, name, refuse)

    assert not report(database, declared()).stopped


def test_the_library_is_imported_only_when_a_gate_runs():
    """It takes seconds to import, which no other command should wait for."""
    names = "import expectations, sys; print('great_expectations' in sys.modules)"

    told = subprocess.run([sys.executable, "-c", names], capture_output=True, text=True, check=True)

    assert told.stdout.strip() == "False"
