"""The job's three card tables against a pandas and lifelines script that shares no code with it.

Every level of the grain, on clean exports with corrections, withdrawals and a late site.
"""

import pytest

from pipeline.cli import carry_out
from synthetic_data import make_exports
from tests.benchmarks.card_tables import card_tables
from tests.benchmarks.comparison import differences
from tests.benchmarks.sizes import write_key
from tests.benchmarks.whole import FLOORS, current_release, floors_of


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    root = tmp_path_factory.mktemp("clean") / "group"
    make_exports(root, patients=500, dirty_share=0)
    write_key(root)
    assert carry_out(["run", "--workspace", str(root), "--quiet"]) == 0
    return root


@pytest.fixture(scope="module")
def by_script(clean):
    return card_tables(clean)


@pytest.mark.slow
def test_the_job_and_the_script_give_the_same_figures(clean, by_script):
    assert {name: len(table) > 1000 for name, table in by_script.items()} == {
        "response_by_grade": True,
        "response_at_session": True,
        "sessions_to_response": True,
    }
    assert differences(clean / "current" / "warehouse.duckdb", by_script) == []


@pytest.mark.slow
def test_a_figure_that_differs_would_be_seen(clean, by_script):
    table = by_script["sessions_to_response"]
    spoilt = table.assign(not_yet=table["not_yet"] + (table["session_number"] == 2) * 1e-6)
    [line] = differences(clean / "current" / "warehouse.duckdb", {"sessions_to_response": spoilt})
    assert line.startswith("sessions_to_response.not_yet: ")


@pytest.mark.slow
def test_a_row_that_lacks_would_be_seen(clean, by_script):
    short = by_script["response_at_session"].iloc[1:]
    [line] = differences(clean / "current" / "warehouse.duckdb", {"response_at_session": short})
    assert line == "response_at_session: 1 rows left_only only"


@pytest.mark.slow
def test_every_floor_is_measured_from_the_sql_as_it_stands(clean):
    floors, rows = floors_of(clean, current_release(clean))
    assert floors.keys() == FLOORS.keys()
    assert min(floors.values()) > 0
    assert floors["whole"] == floors["ingest"] + floors["build"]
    assert rows["patients"] >= 500
