"""The stores of checked rows: Parquet files named by their unit's digest, each written once."""

import hashlib
import json
import os
import shutil
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from importlib import resources
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import polars as pl
import pyarrow.parquet

from ingest.batches import Export
from ingest.contract import contract_version
from ingest.keys import fingerprint
from ingest.mapping import SiteMapping, parse_mapping
from ingest.places import cannot_be_read, place_fault
from pipeline.durable import Step, durable_step
from pipeline.errors import WrongUse, as_sentence, suggestion
from pipeline.settings import read_at_most
from pipeline.workspace import Workspace

ACCOUNT = "lidcohort.account"  # the key under which a file's footer keeps its unit's account
CHUNK_BYTES = 1 << 20
PARTIAL = ".partial"  # ending of a file that is being written
SCRATCH = ".scratch-"  # beginning of a folder of rows that are being checked


def run_digest(workspace: Workspace) -> bytes:
    """What every unit of a run depends on beside its own files: rules, settings, key."""
    return _hash(
        contract_version().encode(),
        rules_version(),
        json.dumps(workspace.settings.protocol_codes).encode(),
        json.dumps(sorted(workspace.settings.privacy.leave_out)).encode(),
        workspace.settings.limits.model_dump_json().encode(),
        fingerprint(workspace.key).encode(),
    )


def rules_version() -> bytes:
    """Changes with any line of this package, so that no row checked by older rules is reused."""
    sources = sorted(
        (source.name, source.read_bytes())
        for source in resources.files("ingest").iterdir()
        if source.name.endswith(".py")
    )
    return _hash(*(part for name, code in sources for part in (name.encode(), code)))


def unit_digest(
    export: Export, run: bytes, mapping: bytes, forgotten: frozenset[str] = frozenset()
) -> str:
    """The name of a unit in the store: 32 hex digits over everything that its rows depend on."""
    batch = export.batch
    parts = [run, batch.site.encode(), batch.name.encode(), export.kind.name.encode(), mapping]
    parts.append(" ".join(sorted(forgotten)).encode())
    for path in export.files:
        parts += [os.fsencode(path.name), _content_digest(path)]
    return _hash(*parts).hex()[:32]


def mapping_bytes(workspace: Workspace, site: str) -> bytes:
    """A site's mapping file; nothing where it has none."""
    path = _mapping_file(workspace, site)
    return read_at_most(path) if path.is_file() else b""


def read_mapping(workspace: Workspace, site: str) -> tuple[bytes, SiteMapping]:
    """A site's mapping file and what it says: nothing, and the contract, where it has none.

    Raises:
        WrongUse: the mapping cannot be used.
    """
    content = mapping_bytes(workspace, site)
    return content, parse_mapping(content, _mapping_file(workspace, site))


def _mapping_file(workspace: Workspace, site: str) -> Path:
    return workspace.mappings / f"{site}.toml"


def refuse_mappings_of_no_site(workspace: Workspace) -> None:
    """A mapping under a wrong name would be passed over.

    Raises:
        WrongUse: naming the first one, and the site that was probably meant.
    """
    sites = workspace.settings.site_codes
    for path in sorted(workspace.mappings.glob("*.toml")):
        if path.stem not in sites:
            raise WrongUse(
                as_sentence(f"{path} is of no site of group.toml; {suggestion(path.stem, sites)}"),
                "Rename the file, or add the site to group.toml.",
            )


def write_parquet(
    frame: pl.LazyFrame, path: Path, account: Mapping[str, Any], step: Step = Step.ACCEPTED
) -> None:
    """Write a frame so that `path` is either absent or whole, whenever the run is killed.

    The folder is not synced: a name lost with the power costs reading the unit again.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_suffix(PARTIAL)
    try:
        frame.sink_parquet(
            partial,
            compression_level=1,  # of zstd: quicker than the default, and no larger for keys
            metadata={ACCOUNT: json.dumps(account)},
            sync_on_close="data",
        )
        durable_step(step)
        partial.rename(path)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise


def read_account(path: Path) -> tuple[int, dict[str, Any]] | None:
    """Rows and account of a file of the store; None where there is no whole one."""
    try:
        footer = pyarrow.parquet.read_metadata(path)
        return footer.num_rows, json.loads(footer.metadata[ACCOUNT.encode()])
    except (OSError, pyarrow.ArrowException, KeyError, TypeError, ValueError):
        return None


@contextmanager
def scratch_folder(workspace: Workspace) -> Iterator[Path]:
    """A folder for the rows of a unit that is too large for memory; removed afterwards."""
    workspace.accepted.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(prefix=SCRATCH, dir=workspace.accepted) as folder:
        yield Path(folder)


def retire(workspace: Workspace, kept: Collection[str]) -> None:
    """Remove every stored file but those of units to keep, by digest: another is read again."""
    for store in (workspace.accepted, workspace.quarantine):
        for path in store.glob("*/*/*.parquet"):
            if path.stem not in kept:
                durable_step(Step.RETIRE)
                path.unlink()


def remove_leftovers(workspace: Workspace) -> None:
    """Remove what a killed run left in the stores."""
    for folder in workspace.accepted.glob(f"{SCRATCH}*"):
        durable_step(Step.LEFTOVER)
        shutil.rmtree(folder)
    for store in (workspace.accepted, workspace.quarantine):
        for partial in store.glob(f"*/*/*{PARTIAL}"):
            durable_step(Step.LEFTOVER)
            partial.unlink()


def _content_digest(path: Path) -> bytes:
    """SHA-256 of a file's bytes; of what is no file, why it is none.

    Raises:
        WrongUse: the system does not hand it over.
    """
    if fault := place_fault(path):
        return fault.encode()
    digest = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while chunk := file.read(CHUNK_BYTES):
                digest.update(chunk)
    except OSError as error:
        raise cannot_be_read(path, error) from None
    return digest.digest()


def _hash(*parts: bytes) -> bytes:
    """SHA-256 over parts, each preceded by its length so that no two lists of parts agree."""
    digest = hashlib.sha256()
    for part in parts:
        digest.update(len(part).to_bytes(8, "big"))
        digest.update(part)
    return digest.digest()
