"""One unit in the store: found there, or checked and written."""

from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

from ingest.batches import Export
from ingest.checking import Account, check_unit
from ingest.checks import Judge
from ingest.gathering import is_large
from ingest.keys import Rekeying
from ingest.mapping import SiteMapping
from ingest.store import read_account, scratch_folder, write_parquet
from pipeline.durable import Step
from pipeline.errors import DataRefused
from pipeline.workspace import Workspace


@dataclass(frozen=True)
class Unit:
    """A site's batch of one kind in the store; `refused` is None where no row was refused."""

    site: str
    batch: str
    kind: str
    digest: str
    accepted: Path
    refused: Path | None
    cached: bool


def ingest_unit(
    export: Export,
    digest: str,
    workspace: Workspace,
    mapping: SiteMapping,
    rekeying: Rekeying,
    forgotten: frozenset[str] = frozenset(),
) -> tuple[Unit, Account]:
    """Find a unit in the store by its digest, or check its files and write it there.

    Rows that name a key of `forgotten` are dropped.

    The quarantine is written first: a unit is in the store once its accepted file is.

    Raises:
        DataRefused: a file's rows are not all accounted for.
    """
    place = Path(export.kind.name) / export.batch.site / f"{digest}.parquet"
    accepted, quarantine = workspace.accepted / place, workspace.quarantine / place
    account = _stored_account(accepted, quarantine)
    cached = account is not None
    if account is None:
        settings = workspace.settings
        judge = Judge(
            export.kind,
            export.batch.last_day,
            settings.protocol_codes,
            forgotten,
            settings.privacy.leave_out,
        )
        account = _check_and_store(
            export, judge, accepted, quarantine, workspace, mapping, rekeying
        )
    else:
        prove_conservation(export, account)
    refused = quarantine if any(file["refused"] for file in account["files"]) else None
    batch = export.batch
    unit = Unit(batch.site, batch.name, export.kind.name, digest, accepted, refused, cached)
    return unit, account


def prove_conservation(export: Export, account: Account) -> None:
    """Rows read = accepted + refused + exact repeats + forgotten, for each file.

    Raises:
        DataRefused: naming the first file for which it does not hold.
    """
    for file in account["files"]:
        out = file["accepted"] + file["refused"] + file["exact_repeats"] + file["forgotten"]
        if file["rows_read"] != out:
            raise DataRefused(
                f"{export.batch.folder / file['file']}: {file['rows_read']} rows were read, but "
                f"{out} are accounted for.",
                "This is a fault of the program: keep the file and report it.",
            )


def _check_and_store(
    export: Export,
    judge: Judge,
    accepted: Path,
    quarantine: Path,
    workspace: Workspace,
    mapping: SiteMapping,
    rekeying: Rekeying,
) -> Account:
    with scratch_folder(workspace) if is_large(export) else nullcontext() as scratch:
        checked = check_unit(export, judge, mapping.of(export.kind), rekeying, scratch)
        prove_conservation(export, checked.account)
        if checked.refused is not None:
            write_parquet(checked.refused, quarantine, {}, Step.QUARANTINE)
        write_parquet(checked.accepted, accepted, checked.account)
    return checked.account


def _stored_account(accepted: Path, quarantine: Path) -> Account | None:
    """The account of a unit whose stored files hold as many rows as it says, else None."""
    stored = read_account(accepted)
    if stored is None:
        return None
    rows, account = stored
    expected = {
        accepted: sum(file["accepted"] for file in account["files"]),
        quarantine: sum(file["refused"] for file in account["files"]),
    }
    if rows != expected[accepted]:
        return None
    if expected[quarantine]:
        refused = read_account(quarantine)
        if refused is None or refused[0] != expected[quarantine]:
            return None
    return account
