"""The user's folder and the releases in it: where everything lies."""

import os
import re
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Self

from pipeline.errors import WrongUse
from pipeline.files import TO_OTHERS
from pipeline.settings import Settings, read_settings

KEY_VARIABLE = "LIDCOHORT_KEY"
SHORTEST_KEY_BYTES = 16
UNUSABLE = re.compile(r"[\x00-\x1f\x7f'\"*?\[\]{}\\]")  # in a path: they mean something to a query


@dataclass(frozen=True)
class Workspace:
    """One group's folder: settings, exports, stores of checked rows, releases."""

    root: Path
    settings: Settings
    key: bytes = field(repr=False)  # the group's secret for re-keying; never written inside
    former_keys: tuple[bytes, ...] = field(default=(), repr=False)  # newest first, while needed

    @classmethod
    def open(cls, root: Path) -> Self:
        """Open an existing workspace.

        Raises:
            WrongUse: a path that no query takes as it is, no group.toml, faulty settings, or no
                usable key.
        """
        root = root.resolve()
        if UNUSABLE.search(str(root)):
            raise WrongUse(
                f"The folder {str(root)!r} has a quotation mark, a bracket, *, ? or a character "
                "that cannot be seen in its name or in that of one around it.",
                "Rename it.",
            )
        settings = read_settings(root / "group.toml")
        key, *former = read_keys(root)
        return cls(root, settings, key, tuple(former))

    @property
    def exports(self) -> Path:
        return self.root / "exports"

    @property
    def mappings(self) -> Path:
        return self.root / "mappings"

    @property
    def definitions(self) -> Path:
        """Holds the response rules and cohorts that the group defined, a file each."""
        return self.root / "definitions"

    @property
    def accepted(self) -> Path:
        return self.root / "accepted"

    @property
    def quarantine(self) -> Path:
        return self.root / "quarantine"

    @property
    def releases(self) -> Path:
        return releases_folder(self.root)

    @property
    def current(self) -> Path:
        return current_link(self.root)

    @property
    def history(self) -> Path:
        return self.root / "runs.jsonl"

    @property
    def lock(self) -> Path:
        return lock_file(self.root)

    @property
    def withdrawn(self) -> Path:
        """Names the batches that no longer count, and the harms they told of."""
        return self.root / "withdrawn.json"

    @property
    def rolled_back(self) -> Path:
        """Names the releases that people were led back from, and the one they were led to."""
        return self.root / "rolled_back.json"

    @property
    def forgotten(self) -> Path:
        """Holds the keys of patients whose rows are dropped on arrival."""
        return self.root / "forgotten.json"

    def as_of(self, day: date | None) -> Self:
        """The same workspace, read as of another day than group.toml says."""
        if day is None:
            return self
        group = self.settings.group.model_copy(update={"as_of": day})
        return replace(self, settings=self.settings.model_copy(update={"group": group}))

    def on_engine(self, name: str | None) -> Self:
        """The same workspace, built by another engine than group.toml says."""
        if name is None:
            return self
        engine = self.settings.engine.model_copy(update={"name": name})
        return replace(self, settings=self.settings.model_copy(update={"engine": engine}))


@dataclass(frozen=True)
class Release:
    """One release directory, complete once its manifest lies in it.

    A stage reads only the release: its `inputs`, then its `warehouse`.
    """

    root: Path
    settings: Settings
    as_of: date

    @property
    def name(self) -> str:
        return self.root.name

    @property
    def inputs(self) -> Path:
        return self.root / "inputs"

    @property
    def definitions(self) -> Path:
        """What the group defined, as tables; not there where it defined nothing."""
        return self.inputs / "definitions"

    @property
    def warehouse(self) -> Path:
        return self.root / "warehouse.duckdb"

    @property
    def models_page(self) -> Path:
        return self.root / "models.html"

    @property
    def dashboards(self) -> Path:
        return self.root / "dashboards"

    @property
    def tables(self) -> Path:
        return self.root / "tables"

    @property
    def manifest(self) -> Path:
        return self.root / "manifest.json"


def releases_folder(root: Path) -> Path:
    """Holds the releases, one folder each."""
    return root / "releases"


def current_link(root: Path) -> Path:
    """Leads to the release that people read."""
    return root / "current"


def key_file(root: Path) -> Path:
    """The group's secret lies beside the workspace, never in it."""
    return root.with_name(root.name + ".key")


def lock_file(root: Path) -> Path:
    """Held by the one run that may write in a workspace."""
    return root / ".lock"


def key_place(root: Path) -> str:
    """Where the secret is read from, in words."""
    return KEY_VARIABLE if os.environ.get(KEY_VARIABLE) else str(key_file(root))


def read_keys(root: Path) -> list[bytes]:
    """The secret from the environment, else from the file beside the workspace; then former ones.

    Each stands on a line of its own.

    Raises:
        WrongUse: there is none, one is too short, or others can read the file.
    """
    path = key_file(root)
    lines = _lines(os.environ.get(KEY_VARIABLE, ""))
    if not lines and path.is_file():
        _refuse_readable_by_others(path)
        lines = _lines(path.read_text("utf-8"))
    if not lines:
        raise WrongUse(
            f"The group's key is neither in {KEY_VARIABLE} nor in {path}.",
            "Put back the key this workspace was made with: another key makes other patients.",
        )
    keys = [line.encode() for line in lines]
    for key in keys:
        if len(key) < SHORTEST_KEY_BYTES:
            raise WrongUse(
                f"The group's key has {len(key)} bytes, fewer than {SHORTEST_KEY_BYTES}.",
                "Make a longer one, for instance with `openssl rand -hex 32`.",
            )
    return keys


def _lines(text: str) -> list[str]:
    return [line.strip() for line in text.splitlines() if line.strip()]


def _refuse_readable_by_others(path: Path) -> None:
    if path.stat().st_mode & TO_OTHERS:
        raise WrongUse(
            f"The group's key in {path} can be read by others on this machine.",
            f"`chmod 600 {path}`, and if somebody may have read it, `lidcohort rekey` after that.",
        )
