"""Small files of one header are mapped, screened and judged together, and come out as alone."""

import pytest

from ingest import gathering
from tests.ingest.invented import SOUND, as_csv
from tests.ingest.test_store import same

ROWS = 60  # of a file; of four together far more than those of one that is spoilt
DAYS = range(1, 9)
SKIPPED = '[visits]\nskip = [{ column = "visit_id", begins_with = "Total" }]\n'


def visits(file, rows=ROWS, columns=None, **cells):
    """A file's rows as CSV, with ids of its own."""
    told = [SOUND["visits"] | {"visit_id": f"V{file}-{n}"} | cells for n in range(rows)]
    return as_csv(told, columns or list(SOUND["visits"]))


SPOILT = {
    "days in an order that nothing tells": visits(2, 5, visit_date="03/04/2026"),
    "days of birth": as_csv(
        [
            SOUND["visits"] | {"visit_id": f"V{day}", "visit_date": f"1961-03-0{day}"}
            for day in DAYS
        ],
        list(SOUND["visits"]),
    ),
    "a mail address": visits(2, diagnosis="ida.invented@example.org"),
    "a column that is not known": visits(2, 5, [*SOUND["visits"], "room"], room="4"),
    "a column less": visits(2, 5, ["visit_id", "patient_id", "visit_date"]),
    "no row": visits(2, 0),
    "a row too short": visits(2, 5) + "V2,P1\n",
    "an empty row": visits(2, 5) + "," * (len(SOUND["visits"]) - 1) + "\n",
    "a row over two lines": visits(2, 5, diagnosis='mgd\nV3,P2"'),
    "a total": visits(2, 5) + "Total" + "," * (len(SOUND["visits"]) - 1) + "\n",
    "a NUL byte": visits(2, 5) + "\0\n",
    "faults of single rows": visits(2, 5, sex="?", visit_date=""),
}


@pytest.fixture
def joined(monkeypatch):
    """The rows of each block that held several files."""
    rows, together = [], gathering._together

    def note(run, kind):
        block = together(run, kind)
        if block and len(run) > 1:
            rows.append(block.table.height)
        return block

    monkeypatch.setattr(gathering, "_together", note)
    return rows


@pytest.fixture
def read(make_exports):
    """Reads files of visits in a workspace of their own."""

    def fill(name, texts):
        exports = make_exports(name=name)
        exports.map(SKIPPED)
        for number, text in enumerate(texts):
            (exports.folder() / f"visits_{number}.csv").write_text(text)
        exports.read()
        return exports

    return fill


def test_sound_files_are_taken_together_and_each_is_counted(read, joined):
    exports = read("group", [visits(0, 3), visits(1, 4, sex="?"), visits(2, 2, visit_date="")])
    assert joined == [9]
    counted = exports.report.files.select("file", "rows_read", "accepted", "refused").rows()
    assert counted == [
        ("visits_0.csv", 3, 3, 0),
        ("visits_1.csv", 4, 4, 0),
        ("visits_2.csv", 2, 0, 2),
    ]
    flagged = exports.report.flagged_values.select("file", "column_name", "flagged").rows()
    assert flagged == [("visits_1.csv", "sex", 4)]
    accepted = exports.accepted("visits").select("source_file", "source_row").rows()
    assert accepted == [
        *(("visits_0.csv", row) for row in (2, 3, 4)),
        *(("visits_1.csv", row) for row in (2, 3, 4, 5)),
    ]


def test_a_run_of_files_ends_where_enough_rows_are_read(read, joined, monkeypatch):
    monkeypatch.setattr(gathering, "JUDGED_ROWS", 10)
    exports = read("group", [visits(file, 4) for file in range(8)])
    assert joined == [12, 12, 8]
    assert exports.report.files["accepted"].to_list() == [4] * 8


@pytest.mark.parametrize("spoilt", SPOILT.values(), ids=SPOILT)
def test_a_file_that_is_not_sound_comes_out_as_it_does_alone(read, monkeypatch, spoilt):
    texts = [visits(0), visits(1), spoilt, visits(4), visits(5)]
    together = read("together", texts)
    monkeypatch.setattr(gathering, "_together", lambda *_: None)
    alone = read("alone", texts)
    assert same(together.report, alone.report)
    assert together.accepted("visits").equals(alone.accepted("visits"))
    assert together.refused("visits").equals(alone.refused("visits"))
