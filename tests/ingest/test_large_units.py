"""A unit too large for memory is kept in parts on the disk, and comes out the same."""

import polars as pl
import pytest

from ingest import gathering
from pipeline.errors import DataRefused
from tests.ingest.invented import SOUND, as_csv
from tests.ingest.test_store import same

FAULTS = [
    {},
    {"sex": "?"},
    {"visit_date": ""},
    {"visit_date": "2026-04-01", "visit_reason": "none"},
    {"age_years": "200"},
    {},
]


@pytest.fixture
def many(make_exports):
    """A workspace with a few hundred rows of several kinds, faults and repeats among them."""

    def fill(name):
        exports = make_exports(name=name)
        visits = [
            {"visit_id": f"V{n // 2 if n % 29 == 1 else n}"} | FAULTS[n % len(FAULTS)]
            for n in range(400)
        ]
        exports.write("visits", *visits[:250], *visits[:3], file="visits-1.csv")
        exports.write("visits", *visits[200:], file="visits-2.csv")
        sessions = [
            {"session_id": f"S{n}", "eye": eye, "screened": "no" if n % 31 == 0 else "yes"}
            | ({"screened": "yes"} if eye == "left" else {})
            | ({"adverse_event": "burn", "protocol": "x"} if n % 37 == 0 else {})
            for n in range(150)
            for eye in ("right", "left")
        ]
        exports.write("sessions", *sessions)
        path = exports.folder() / "sessions.csv"
        path.write_text(path.read_text() + "cut,off,burn\n")
        samples = [
            {"session_id": f"S{n % 5}", "t_s": str(n // 6), "temp_c": str(35 + n % 30)}
            for n in range(600)
        ]
        exports.write("temperatures", *samples)
        return exports

    return fill


def rows(exports):
    return {
        (kind, store): getattr(exports, store)(kind)
        for kind in ("visits", "sessions", "temperatures")
        for store in ("accepted", "refused")
    }


def test_it_gives_the_same_rows_counts_and_harms(many, request):
    in_memory = many("in-memory")
    expected = in_memory.read()
    request.getfixturevalue("small_memory")
    on_disk = many("on-disk")
    assert same(on_disk.read(), expected)
    for key, frame in rows(in_memory).items():
        assert rows(on_disk)[key].equals(frame), key
    assert expected.files["refused"].sum() > 100
    assert expected.files["exact_repeats"].sum() > 50
    assert expected.refused_harms.height > 5


def test_its_bytes_are_the_same_each_time(many, small_memory):
    bytes_of = [
        {unit.accepted.name: unit.accepted.read_bytes() for unit in many(name).read().units}
        for name in ("one", "two", "three")
    ]
    assert bytes_of[0] == bytes_of[1] == bytes_of[2]


def test_its_rows_leave_nothing_behind(many, small_memory):
    exports = many("tidy")
    exports.read()
    assert {path.name for path in exports.workspace.accepted.iterdir()} == {
        "visits",
        "sessions",
        "temperatures",
    }


def test_no_row_at_all(exports, small_memory):
    for kind in ("visits", "sessions"):
        blank = as_csv([], list(SOUND[kind])) + "\n" * 20_000
        (exports.folder() / f"{kind}.csv").write_text(blank)
    report = exports.read()
    assert report.files.select("rows_read", "file_refused").rows() == [(0, False), (0, False)]


def test_a_file_that_changes_while_it_is_read_stops_the_run(exports, small_memory, monkeypatch):
    path = exports.write("visits", *({"visit_id": str(n)} for n in range(200)))
    screen = gathering.screen

    def spoil(block, kind):
        path.write_bytes(path.read_bytes() + b"\xff")
        screen(block, kind)

    monkeypatch.setattr(gathering, "screen", spoil)
    with pytest.raises(DataRefused, match="changed while it was read"):
        exports.read()
    assert not list(exports.workspace.accepted.rglob("*.parquet"))


def test_positions_run_on_over_parts(exports, small_memory):
    exports.write("visits", *({"visit_id": str(n)} for n in range(300)))
    exports.read()
    accepted = exports.accepted("visits")
    assert accepted["source_row"].to_list() == list(range(2, 302))
    assert accepted.select(pl.col("visit_key").n_unique()).item() == 300
