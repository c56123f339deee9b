"""What a group begins with: an empty workspace to fill, the demo's, the contract to hand out."""

import secrets
import shutil
from pathlib import Path

from ingest.data_package import write_contract
from pipeline.durable import Step
from pipeline.errors import WrongUse
from pipeline.files import write_whole
from pipeline.lock import hold
from pipeline.settings import EXAMPLE_SETTINGS, read_settings
from pipeline.voice import Answer, Voice
from pipeline.workspace import Workspace, key_file, lock_file
from synthetic_data import make_exports

DEMO_MARK = "INVENTED.txt"
DEMO_KEY = "invented-key-of-the-lidcohort-demo"  # public on purpose: the same demo everywhere


def new_workspace(root: Path) -> Answer:
    """Make a folder a workspace, with a fresh secret key beside it unless one lies there.

    Whatever the folder holds stays as it is; group.toml comes last, since it makes a workspace.

    Raises:
        WrongUse: it is a workspace or a file, or a key lies beside a folder that is not there.
    """
    root = root.resolve()
    settings, key = root / "group.toml", key_file(root)
    if root.exists() and not root.is_dir():
        raise WrongUse(f"{root} is a file.", "Name a folder.")
    if settings.exists():
        raise WrongUse(f"{settings} is there already.", "Edit it, or name another folder.")
    if key.exists() and not root.exists():
        raise WrongUse(
            f"A key lies at {key}, perhaps of a workspace that stood here.",
            "Keep it safe elsewhere, or name another folder.",
        )
    root.mkdir(parents=True, exist_ok=True)
    if not key.exists():
        _write_key(root, secrets.token_hex(32))
    if not (root / "exports").exists():
        for site in read_settings(EXAMPLE_SETTINGS).site_codes:
            (root / "exports" / site).mkdir(parents=True)
    write_whole(settings, EXAMPLE_SETTINGS.read_text("utf-8"), step=Step.SETTINGS)
    return Answer(
        f"Made {root} a workspace.\n"
        f"Keep {key} safe and secret: with another key every patient becomes a new one.\n"
        f"Next: name your sites and protocols in {root / 'group.toml'}, put exports into "
        f"{root / 'exports'}/<site>/<YYYY-MM>/, then `lidcohort run --workspace {root}`.",
        {"workspace": root, "key": key},
    )


def demo_workspace(root: Path, patients: int, seed: int, voice: Voice) -> Workspace:
    """Make, or make again, the invented group's exports.

    Raises:
        WrongUse: the folder holds something that is no demo, or another key lies beside it.
        WorkspaceBusy: a run holds it.
    """
    root = root.resolve()
    if _is_used(root) and not (root / DEMO_MARK).is_file():
        raise WrongUse(f"{root} is there already and is no demo.", "Name another folder.")
    key = key_file(root)
    if key.exists() and key.read_text("utf-8").strip() != DEMO_KEY:
        raise WrongUse(f"{key} is not the demo's key.", "Name another folder.")
    root.mkdir(parents=True, exist_ok=True)
    write_whole(root / DEMO_MARK, "`lidcohort demo` invented everything in this folder.\n")
    with hold(lock_file(root)), voice.stage("exports") as stage:
        _write_key(root, DEMO_KEY)
        for made_before in ("exports", "mappings", "truth"):
            shutil.rmtree(root / made_before, ignore_errors=True)
        make_exports(root, patients=patients, seed=seed, own_forms=True, on_progress=stage.progress)
        stage.counts = {"patients": patients}
    return Workspace(root, read_settings(root / "group.toml"), DEMO_KEY.encode())


def contract_folder(folder: Path, group_toml: Path | None) -> Answer:
    """Write the contract for clinics' system vendors, with a group's protocols where one is named.

    Raises:
        WrongUse: the folder holds something, or group.toml cannot be read.
    """
    folder = folder.resolve()
    if _is_used(folder):
        raise WrongUse(f"{folder} is there already and not empty.", "Name a folder that is not.")
    protocols = read_settings(group_toml).protocol_codes if group_toml else ()
    descriptor, *sheets = write_contract(folder, protocols)
    return Answer(
        f"Wrote {descriptor} and {len(sheets)} sheets, one for each export.\n"
        "Next: hand them to whoever writes a clinic's exports.",
        {"descriptor": descriptor, "sheets": sheets},
    )


def _is_used(root: Path) -> bool:
    return root.exists() and (not root.is_dir() or any(root.iterdir()))


def _write_key(root: Path, key: str) -> None:
    write_whole(key_file(root), f"{key}\n", mode=0o600, step=Step.KEY)
