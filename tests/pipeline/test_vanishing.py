"""A harm that people read cannot go by writing over the file that told of it."""

import polars as pl
import pytest

from ingest import ingest
from pipeline import run as flow
from pipeline.vanishing import AS_TOLD, vanished
from tests.ingest.invented import SOUND, as_csv


@pytest.fixture
def exported(root, stages, monkeypatch):
    """Alder's March with a burn at a session and a swelling reported later; real ingest."""
    monkeypatch.setattr(flow, "ingest", ingest)
    write(root, "sessions", session(1, "burn"), session(2, "none"))
    write(root, "adverse_events", report("swelling"))
    return root


def write(root, kind, *rows, batch="2026-03"):
    folder = root / "exports" / "alder" / batch
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{kind}.csv").write_text(as_csv(rows, list(rows[0])))


def session(number, harm, **more):
    told = {"session_id": f"S{number}", "protocol": "four", "adverse_event": harm}
    return SOUND["sessions"] | told | more


def report(event, **more):
    return SOUND["adverse_events"] | {"event": event, "severity": "moderate"} | more


UNTOLD = {
    "gone from its cell": ("sessions", [session(1, "none"), session(2, "none")]),
    "gone with its row": ("sessions", [session(2, "none")]),
    "another harm": ("sessions", [session(1, "redness"), session(2, "none")]),
    "less bad": ("adverse_events", [report("swelling", severity="mild")]),
    "another report": ("adverse_events", [report("swelling", event_id="E9")]),
}
TOLD = {
    "one more harm": ("sessions", [session(1, "burn"), session(2, "redness")]),
    "another minute": (
        "sessions",
        [session(1, "burn", minutes_at_plateau="5"), session(2, "none")],
    ),
    "its row is refused now": ("sessions", [session(1, "burn", protocol="nobody's")]),
    "worse": ("adverse_events", [report("swelling", severity="severe")]),
}


@pytest.mark.parametrize(("kind", "rows"), UNTOLD.values(), ids=UNTOLD)
def test_a_file_that_is_written_over_may_tell_no_less_of_harm(
    exported, lidcohort, current, capsys, kind, rows
):
    assert lidcohort("run") == 0
    before, as_it_was = current(), exported / "exports" / "alder" / "2026-03" / f"{kind}.csv"
    content = as_it_was.read_bytes()
    write(exported, kind, *rows)
    capsys.readouterr()

    for command in ("run", "check"):
        assert lidcohort(command) == 2
        told = capsys.readouterr().err
        assert f"tell less of these harms than they did: alder/2026-03/{kind} (" in told
    assert current() == before
    as_it_was.write_bytes(content)
    assert lidcohort("run") == 0


@pytest.mark.parametrize(("kind", "rows"), TOLD.values(), ids=TOLD)
def test_a_file_may_be_written_over_otherwise(exported, lidcohort, current, kind, rows):
    assert lidcohort("run") == 0
    before = current()
    write(exported, kind, *rows)
    assert lidcohort("run") == 0
    assert current() != before


def test_a_newer_batch_corrects_a_harm(exported, lidcohort):
    assert lidcohort("run") == 0
    write(exported, "sessions", session(1, "none"), batch="2026-04")
    assert lidcohort("run") == 0


def test_a_settled_harm_may_go(exported, lidcohort, capsys):
    assert lidcohort("run") == 0
    write(exported, "sessions", session(2, "none"))
    capsys.readouterr()
    lidcohort("run")
    [harm] = capsys.readouterr().err.partition("sessions (")[2].partition(")")[:1]
    with (exported / "group.toml").open("a") as settings:
        settings.write(
            f'[[settled_harm]]\nsite = "alder"\nharm = "{harm}"\n'
            'decision = "a slip at the desk"\ndecided_on = 2026-04-02\n'
        )
    assert lidcohort("run") == 0


def test_what_could_not_be_read_as_a_harm_may_be_corrected():
    unreadable = pl.DataFrame([("a", "unknown", None, None)], AS_TOLD, orient="row")
    assert vanished(unreadable, unreadable.clear()) == set()
    readable = pl.DataFrame([("a", "burn", None, None)], AS_TOLD, orient="row")
    assert vanished(readable, readable.clear()) == {"a"}


@pytest.mark.parametrize(("was", "now", "gone"), [(True, False, True), (False, True, False)])
def test_a_harm_stays_serious(was, now, gone):
    told, tells = (
        pl.DataFrame([("a", "burn", "mild", serious)], AS_TOLD, orient="row")
        for serious in (was, now)
    )
    assert vanished(told, tells) == ({"a"} if gone else set())
