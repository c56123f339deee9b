"""Every page and list is an exposure of the models, of exactly those that it reads, and no more."""

from collections.abc import Iterator

import polars as pl
import pytest
import yaml

from dashboards.missing_and_mixed import with_missing_and_mixed
from dashboards.publish import LISTS, PAGES
from dashboards.shared_tables import SharedTables
from dashboards.source import Source
from dashboards.warehouse import Warehouse
from models.build import PROJECT

WRITTEN_BY_GATES = {"gate_results"}  # a table that no model makes
EXPOSURES = PROJECT / "layers" / "exposures.yml"


class Watched:
    """Tables of which is kept which were looked up."""

    def __init__(self, tables: Warehouse | SharedTables, seen: set[str]) -> None:
        self._tables, self._seen = tables, seen

    def find(self, table: str, *more: pl.Expr, **where: object) -> list[dict[str, object]]:
        self._seen.add(table.rpartition(".")[2])
        return self._tables.find(table, *more, **where)


@pytest.fixture(scope="module")
def read_by(demo_release) -> dict[str, set[str]]:
    """The tables that each page's module, and each list, looks up."""
    warehouse = Warehouse(demo_release.warehouse)
    below = demo_release.settings.privacy.hide_counts_below
    shared = SharedTables(warehouse.cohorts(), below)
    makers = {module.__name__.rpartition(".")[2]: module.pages for module in PAGES}
    makers |= {made.__name__: _of_clinics(made) for made in LISTS.values()}
    read = {}
    for name, make in makers.items():
        seen: set[str] = set()
        source = Source(
            demo_release.settings,
            demo_release.as_of,
            Watched(warehouse, seen),
            Watched(shared, seen),
        )
        for made in make(source):
            if not isinstance(made, str):
                with_missing_and_mixed(source, made)
        read[name] = seen - WRITTEN_BY_GATES
    return read


def _of_clinics(listed):
    def lists(source: Source) -> Iterator[str]:
        return (listed(source, clinic) for clinic in source.clinics_with_data)

    return lists


def exposed() -> dict[str, set[str]]:
    return {
        exposure["name"]: {
            dependency.removeprefix("ref('").removesuffix("')")
            for dependency in exposure["depends_on"]
        }
        for exposure in yaml.safe_load(EXPOSURES.read_text())["exposures"]
    }


def test_pages_and_exposures_are_the_same(read_by):
    assert exposed().keys() == read_by.keys()


@pytest.mark.parametrize("name", exposed())
def test_an_exposure_names_what_its_page_reads(read_by, name):
    assert exposed()[name] == read_by[name]
