"""One faulty and one clean group for all tests of this folder."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest

from ingest.contract import KINDS, Kind
from synthetic_data import make_exports
from synthetic_data.months import months_until
from synthetic_data.parameters import Parameters
from synthetic_data.simulation import Simulated, plan_chunks, simulate

SEED = 7
SHARE = 0.06


@dataclass(frozen=True)
class Group:
    """A folder that make_exports has filled."""

    root: Path

    def batches(self, site: str) -> list[str]:
        return sorted(folder.name for folder in (self.root / "exports" / site).iterdir())

    def files(self) -> Iterator[tuple[str, str, Kind, Path]]:
        """Site, batch, kind and path of each file."""
        for path in sorted((self.root / "exports").glob("*/*/*")):
            kind = next(kind for kind in KINDS if path.name.split(".")[0] == kind.name)
            yield path.parent.parent.name, path.parent.name, kind, path

    def truth(self, table: str) -> pl.DataFrame:
        return pl.read_parquet(self.root / "truth" / f"{table}.parquet")


def read(path: Path) -> pl.DataFrame:
    """A file's rows, text as it stands; typed Parquet keeps its types."""
    if path.suffix == ".parquet":
        return pl.read_parquet(path)
    return pl.read_csv(path, infer_schema=False)


@pytest.fixture(scope="session")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Group:
    root = tmp_path_factory.mktemp("faulty")
    make_exports(root, patients=700, seed=SEED, dirty_share=SHARE)
    return Group(root)


@pytest.fixture(scope="session")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Group:
    root = tmp_path_factory.mktemp("clean")
    make_exports(root, patients=700, seed=SEED, dirty_share=0)
    return Group(root)


@pytest.fixture(scope="session")
def simulated() -> Simulated:
    """The largest site of a group large enough to show the model's numbers."""
    parameters = Parameters()
    chunk = plan_chunks(50_000, SEED, months_until("2026-10", 24), parameters)[0]
    return simulate(chunk, parameters)
