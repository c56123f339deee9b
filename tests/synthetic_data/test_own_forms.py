"""Exports in the clinics' own forms: read through their mappings, they are the contract's."""

from pathlib import Path

import polars as pl
import pytest

from ingest import IngestReport, ingest
from pipeline.settings import read_settings
from pipeline.workspace import Workspace
from synthetic_data import make_exports
from tests.synthetic_data.conftest import SEED, SHARE

OWN = {"cedar": "csv", "dogwood": "csv", "elm": "xlsx"}
PLACE = ("source_file", "source_row")
FILE = ["site", "batch", "kind", "file"]


def read(root: Path, *, own_forms: bool) -> IngestReport:
    make_exports(root, patients=500, seed=SEED, months=8, dirty_share=SHARE, own_forms=own_forms)
    return ingest(Workspace(root, read_settings(root / "group.toml"), b"an invented secret"))


@pytest.fixture(scope="module")
def roots(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return tmp_path_factory.mktemp("contract"), tmp_path_factory.mktemp("own")


@pytest.fixture(scope="module")
def reports(roots: tuple[Path, Path]) -> tuple[IngestReport, IngestReport]:
    contract, own = roots
    return read(contract, own_forms=False), read(own, own_forms=True)


def accepted(report: IngestReport) -> dict[tuple[str, str, str], pl.DataFrame]:
    """Site, batch and kind to the accepted rows, without where they stood."""
    units: dict[tuple[str, str, str], list[pl.DataFrame]] = {}
    for unit in report.units:
        rows = pl.read_parquet(unit.accepted).drop(PLACE)
        units.setdefault((unit.site, unit.batch, unit.kind), []).append(rows)
    return {key: pl.concat(frames).sort(pl.all(), nulls_last=True) for key, frames in units.items()}


def test_three_clinics_have_their_own_form(roots, reports) -> None:
    _, root = roots
    assert {path.stem for path in (root / "mappings").glob("*.toml")} == set(OWN)
    for site, ending in OWN.items():
        files = {path.name for path in (root / "exports" / site).glob("*/*")}
        endings = {file.split(".", 1)[1] for file in files if not file.startswith("temperatures")}
        assert endings == {ending}


def test_they_are_what_they_should_be(roots, reports) -> None:
    _, root = roots
    german = next((root / "exports" / "cedar").glob("*/sessions.csv")).read_bytes()
    assert "Höchste °C".encode("cp1252") in german
    assert ";41," in german.decode("cp1252")
    fahrenheit = next((root / "exports" / "dogwood").glob("*/sessions.csv")).read_text()
    assert "Plateau F" in fahrenheit
    assert ",106." in fahrenheit
    told = reports[1].files.filter(site="elm", kind="outcomes")
    assert set(told["read_as"]) == {"XLSX, sheet Export"}
    wide = pl.read_excel(next((root / "exports" / "elm").glob("*/outcomes.xlsx")))
    assert wide.width == 4 + 19


def test_what_is_accepted_of_them_is_the_contracts_to_the_last_digit(reports) -> None:
    contract, own = map(accepted, reports)
    assert contract.keys() == own.keys()
    for key, rows in contract.items():
        assert own[key].equals(rows), key
        assert own[key].schema == rows.schema


def test_what_is_refused_and_flagged_of_them_is_the_same(reports) -> None:
    contract, own = reports
    for frame, of_the_form in (
        ("refused_reasons", ["file", "first_rows"]),
        ("flagged_values", ["file"]),
    ):
        one, other = (getattr(report, frame).drop(of_the_form) for report in (contract, own))
        assert sorted(one.rows()) == sorted(other.rows())
    harms = ["site", "batch", "kind", "patient_key", "session_key", "eye", "event", "event_date"]
    assert contract.refused_harms.height > 0
    assert sorted(contract.refused_harms.select(harms).rows(), key=str) == sorted(
        own.refused_harms.select(harms).rows(), key=str
    )


def test_the_truth_tells_where_each_row_stands(roots, reports) -> None:
    _, root = roots
    truth = root / "truth"
    counts = ["rows", "accepted", "refused"]
    told = pl.read_parquet(truth / "files.parquet").select(*FILE, *counts)
    found = reports[1].files.select(*FILE, "rows_read", "accepted", "refused")
    assert sorted(told.rows()) == sorted(found.rows())
    planted = pl.read_parquet(truth / "planted_faults.parquet").filter(role="refused")
    places = {
        (unit.site, unit.batch, unit.kind, *row)
        for unit in reports[1].units
        if unit.refused
        for row in pl.read_parquet(unit.refused).select(PLACE).rows()
    }
    assert set(planted.select(*FILE, "row").rows()) == places
    told = reports[1].refused_reasons.select(*FILE, pl.col("first_rows").str.split(" "))
    first = told.explode("first_rows").cast({"first_rows": pl.Int64})
    assert first.height > 0
    assert set(first.rows()) <= places


def test_a_workbook_has_the_same_bytes_whenever_it_is_made(roots, reports, tmp_path) -> None:
    _, root = roots
    make_exports(tmp_path, patients=500, seed=SEED, months=8, dirty_share=SHARE, own_forms=True)
    files = sorted(path.relative_to(root) for path in (root / "exports").glob("elm/*/*.xlsx"))
    assert files
    for file in files:
        assert (tmp_path / file).read_bytes() == (root / file).read_bytes()
