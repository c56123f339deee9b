"""Turning a list of keys back into a clinic's own patient numbers, in a file for that clinic."""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ingest.contract import PATIENT
from ingest.mapping import DELIMITERS
from ingest.raw import folded
from ingest.revealing import own_ids
from pipeline import release as releases
from pipeline.errors import WrongUse, as_sentence, in_words, suggestion
from pipeline.files import write_whole
from pipeline.history import Run
from pipeline.spreadsheets import for_spreadsheets
from pipeline.taking_away import new_file
from pipeline.voice import Answer, Voice
from pipeline.workspace import Workspace

KEY, OWN = PATIENT.stored_name, PATIENT.name
SAVE_AS_CSV = f"Name a CSV file in UTF-8 with a column {KEY}."


@dataclass(frozen=True)
class KeyList:
    """A CSV file as it stands, with the place of the column that holds patients' keys."""

    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    place: int
    delimiter: str

    def key_of(self, row: Sequence[str]) -> str:
        return row[self.place].strip().lower()

    def with_own(self, own: dict[str, str]) -> str:
        """The same list with the clinic's own number right after the key, empty if not known."""
        after = self.place + 1
        rows = [[*row[:after], own.get(self.key_of(row), ""), *row[after:]] for row in self.rows]
        header = [*self.header[:after], OWN, *self.header[after:]]
        return for_spreadsheets([header, *rows], self.delimiter)


def reveal(
    workspace: Workspace,
    site: str,
    path: Path,
    out: Path | None,
    voice: Voice,
    run: Run,
    *,
    replace: bool,
) -> Answer:
    """Write a list again with the clinic's own number beside each patient's key.

    Nothing that is said or recorded holds a number. The caller holds the workspace, and records
    what `run` comes to.

    Raises:
        WrongUse: an unknown site, another key than the list was made with, a list that cannot be
            read, or a place where nothing may be written; nothing is written then.
        LidcohortError: whatever else went wrong; nothing is written then either.
    """
    known = workspace.settings.site_codes
    if site not in known:
        raise WrongUse(
            as_sentence(f"--site {site} is no site of group.toml; {suggestion(site, known)}"),
            "Name the clinic whose list it is.",
        )
    target = new_file(workspace.root, out, f"{site}-{path.stem}.csv", replace=replace)
    releases.refuse_another_key(workspace)
    keys = read_list(path)
    wanted = {keys.key_of(row) for row in keys.rows} - {""}
    with voice.stage("reveal") as stage:
        own = own_ids(workspace, site, wanted, on_progress=stage.progress)
        stage.counts = {"keys": len(wanted), "found": len(own)}
    was_there = target.exists()
    write_whole(target, keys.with_own(own), mode=0o600)
    run.outcome = "revealed"
    return _answer(target, keys, own, site, was_there=was_there)


def read_list(path: Path) -> KeyList:
    """Read a list as a spreadsheet saves it: parted by commas, semicolons or tabs.

    Raises:
        WrongUse: it cannot be read, has no column of keys, or no row.
    """
    try:
        text = path.read_text("utf-8-sig")
    except UnicodeDecodeError:
        raise WrongUse(f"{path} is no text in UTF-8.", SAVE_AS_CSV) from None
    except OSError as error:
        raise WrongUse(in_words(error).what, SAVE_AS_CSV) from None
    first_line = text.lstrip("\r\n").partition("\n")[0]
    delimiter = max(DELIMITERS, key=first_line.count)
    try:
        read = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        lines = [(read.line_num, row) for row in read if any(cell.strip() for cell in row)]
    except csv.Error:
        raise WrongUse(f"{path} cannot be read as CSV.", SAVE_AS_CSV) from None
    if not lines:
        raise WrongUse(f"{path} is empty.", SAVE_AS_CSV)
    (_, header), *rows = lines
    place = _place(path, header)
    if not rows:
        raise WrongUse(f"{path} lists nobody.", "There is nothing to turn back.")
    for line, row in rows:
        if len(row) != len(header):
            raise WrongUse(
                f"Line {line} of {path} has {len(row)} cells, the header {len(header)}.",
                "Save the list again.",
            )
    return KeyList(header, [row for _, row in rows], place, delimiter)


def _place(path: Path, header: Sequence[str]) -> int:
    names = [folded(name) for name in header]
    if names.count(KEY) != 1:
        how = "no column" if KEY not in names else "more than one column"
        raise WrongUse(f"{path} has {how} {KEY}.", SAVE_AS_CSV)
    if OWN in names:
        raise WrongUse(
            f"{path} has a column {OWN} already.",
            "Name the list as it was, or take that column out.",
        )
    return names.index(KEY)


def _answer(
    target: Path, keys: KeyList, own: dict[str, str], site: str, *, was_there: bool
) -> Answer:
    unknown = [row for row in keys.rows if keys.key_of(row) not in own]
    return Answer(
        f"{'Wrote over' if was_there else 'Wrote'} {target}, which only you may read: "
        f"{len(keys.rows):,} {'row' if len(keys.rows) == 1 else 'rows'} with the clinic's own "
        f"patient number in the column {OWN}. {_without(len(unknown), len(keys.rows), site)}\n"
        "It names patients: give it to that clinic alone, screen again before anyone is treated, "
        "and remove it once it has been worked through.",
        {
            "outcome": "revealed",
            "file": target,
            "rows": len(keys.rows),
            "not_found": len(unknown),
            "replaced": was_there,
        },
    )


def _without(unknown: int, rows: int, site: str) -> str:
    if unknown == 0:
        return "Each has one."
    if unknown == rows:
        return (
            f"None has one: see that it is {site}'s list, and that the key is the one it was made "
            "with."
        )
    return (
        f"{unknown:,} of them without one: {site}'s exports here do not tell it, or the patient "
        "was forgotten or stood in a withdrawn batch only."
    )
