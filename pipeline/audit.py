"""The `audit` command: what of a release could single out a patient, and the setting that cures it.

It reads what lies on the disk, changes nothing, and names nobody: only how many.
"""

import stat
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import duckdb

from dashboards.leaving import SmallCount, keys_told, small_counts_in_tables, small_counts_on_pages
from pipeline import release as releases
from pipeline.errors import WrongUse, in_short
from pipeline.files import TO_OTHERS
from pipeline.settings import Settings
from pipeline.standing import current
from pipeline.voice import Answer
from pipeline.workspace import Workspace, key_file

FOUND_STATUS = 6
ADVISED_BELOW = 11  # common practice, no source
ALL_KNOWN = "site, age_band, sex, first_month"
WITHOUT_AGE_AND_SEX = "site, first_month"
IN_WORDS = {
    "site": "clinic",
    "age_band": "age to ten years",
    "sex": "sex",
    "first_month": "month of the first visit",
}
SMALL_GROUPS = "select * from quality.small_groups order by known"


@dataclass(frozen=True)
class Finding:
    """What was found and what cures it; `cure_now` where the release must not be handed on so."""

    what: str
    cure: str
    cure_now: bool


def audit(workspace: Workspace, name: str | None) -> Answer:
    """Look through a release, the current one if none is named.

    Raises:
        WrongUse: there is no such release, or it was made before small groups were counted.
    """
    root = _named(workspace, name)
    manifest = releases.read_manifest(root)
    if manifest is None:
        raise WrongUse(f"{root.name} is no complete release.", "Name one that is published.")
    settings = Settings.model_validate(manifest["settings"])
    below = settings.privacy.hide_counts_below
    groups = _small_groups(root)
    findings = [
        *_of_what_leaves(root, below),
        *_of_places(workspace),
        *_of_rows(groups, settings),
        *_of_settings(workspace, settings, root),
    ]
    must_cure = any(finding.cure_now for finding in findings)
    return Answer(
        "\n".join(_lines(root.name, groups, findings, below)),
        {
            "outcome": "to_cure" if must_cure else "sound",
            "release": root.name,
            "hide_counts_below": below,
            "small_groups": list(groups.values()),
            "findings": [asdict(finding) for finding in findings],
        },
        FOUND_STATUS if must_cure else 0,
    )


def _named(workspace: Workspace, name: str | None) -> Path:
    if name is None:
        root = current(workspace.root)
        if root is None:
            raise WrongUse("Nothing has been published yet.", "Run `lidcohort run` first.")
        return root
    known = [path.name for path in releases.release_folders(workspace)]
    if name not in known:
        raise WrongUse(f"There is no release {name}.", f"There are {in_short(known) or 'none'}.")
    return workspace.releases / name


def _small_groups(root: Path) -> dict[str, dict[str, Any]]:
    """What the release's warehouse counts, by what is known."""
    with duckdb.connect(str(root / "warehouse.duckdb"), read_only=True) as connection:
        try:
            rows = connection.sql(SMALL_GROUPS).pl().to_dicts()
        except duckdb.CatalogException:
            raise WrongUse(
                f"{root.name} was made before small groups were counted.",
                "Name a newer one, or run again.",
            ) from None
    return {row["known"]: row for row in rows}


def _of_what_leaves(root: Path, below: int) -> Iterator[Finding]:
    """Small counts and keys on what leaves a clinic: there should be none, whatever the setting."""
    small = [
        *small_counts_in_tables(root / "tables", below),
        *small_counts_on_pages(root / "dashboards", below),
    ]
    for count in small:
        yield Finding(
            _shown(count, below),
            "Do not hand it on, report it as a fault of the program, and run again once it is "
            f"mended; until then [privacy] hide_counts_below above {below} hides more.",
            True,
        )
    for file, times in keys_told(root):
        yield Finding(
            f"{file} names patients by their keys ({times:,} times).",
            "Do not hand it on, and report it as a fault of the program.",
            True,
        )


def _shown(count: SmallCount, below: int) -> str:
    return (
        f"{count.file} shows counts from 1 to {below - 1} under '{count.column}' ({count.times:,})."
    )


def _of_places(workspace: Workspace) -> Iterator[Finding]:
    """What only the workspace's owner should be able to read."""
    private = (
        *(workspace.accepted, workspace.quarantine, workspace.releases),
        *(workspace.history, workspace.withdrawn, workspace.forgotten, key_file(workspace.root)),
    )
    for path in private:
        if path.exists() and path.stat().st_mode & TO_OTHERS:
            yield Finding(
                f"{path} can be read or entered by others on this machine.",
                f"`chmod go= {path}`.",
                True,
            )
    if workspace.exports.is_dir() and workspace.exports.stat().st_mode & stat.S_IRWXO:
        yield Finding(
            f"{workspace.exports} can be entered by everybody on this machine, and holds the "
            "clinics' own patient numbers.",
            f"`chmod o= {workspace.exports}`, unless somebody else must put exports there.",
            False,
        )


def _of_rows(groups: dict[str, dict[str, Any]], settings: Settings) -> Iterator[Finding]:
    """Who could be told apart by somebody who may read rows: the warehouse, and the inputs."""
    if ALL_KNOWN not in groups:
        return
    by_all, by_less = groups[ALL_KNOWN], groups[WITHOUT_AGE_AND_SEX]
    left_out = {"age_years", "sex"} <= set(settings.privacy.leave_out)
    if by_all["patients_alone"] and not left_out:
        yield Finding(
            f"Whoever reads the warehouse and knows a patient's {_words(ALL_KNOWN)} finds "
            f"{by_all['patients_alone']:,} of {by_all['patients']:,} patients alone.",
            'Give the warehouse only to those who may know; or [privacy] leave_out = ["age_years", '
            f'"sex"], which leaves {by_less["patients_alone"]:,} alone. No figure needs either.',
            False,
        )
    elif by_less["patients_alone"]:
        yield Finding(
            f"Whoever reads the warehouse and knows a patient's {_words(WITHOUT_AGE_AND_SEX)} "
            f"finds {by_less['patients_alone']:,} of {by_less['patients']:,} patients alone.",
            "No setting cures this, since every figure is made of dates: give the warehouse only "
            "to those who may know, and hand on tables/ in its place.",
            False,
        )


def _of_settings(workspace: Workspace, settings: Settings, root: Path) -> Iterator[Finding]:
    below = settings.privacy.hide_counts_below
    if below < ADVISED_BELOW:
        yield Finding(
            f"Counts from {below} on are shown outside their clinic.",
            f"[privacy] hide_counts_below = {ADVISED_BELOW} (common practice, no source).",
            False,
        )
    if "operator" not in settings.privacy.leave_out:
        yield Finding(
            "The warehouse holds the clinics' own codes of who treated: staff could be told apart.",
            'See that they are no initials; or [privacy] leave_out = ["operator"].',
            False,
        )
    others = len([path for path in releases.release_folders(workspace) if path != root])
    if others:
        yield Finding(
            f"{others:,} other releases are kept, each with every row of its day.",
            f"[releases] keep, now {workspace.settings.releases.keep}, says how many.",
            False,
        )


def _lines(
    name: str, groups: dict[str, dict[str, Any]], findings: list[Finding], below: int
) -> Iterator[str]:
    yield f"Release {name}. Small is fewer than {below}."
    yield "Of the patients in its warehouse, to somebody who knows their ..."
    for known in sorted(groups, key=lambda known: (known.count(","), known)):
        group = groups[known]
        rare = group["patients_rare"]
        yield (
            f"  {_words(known)}: {group['patients_alone']:,} of {group['patients']:,} are alone, "
            f"{group['patients_in_small_groups']:,} in a small group "
            f"(smallest {group['smallest_group']:,}"
            + (f"; {rare:,} by this combination alone)" if rare else ")")
        )
    for heading, now in (("To cure before anything is handed on:", True), ("To know:", False)):
        of_kind = [finding for finding in findings if finding.cure_now is now]
        if of_kind:
            yield heading
            yield from (f"  {finding.what} {finding.cure}" for finding in of_kind)
    if not any(finding.cure_now for finding in findings):
        yield "What leaves a clinic shows no small count and no patient's key."


def _words(known: str) -> str:
    names = [IN_WORDS[name] for name in known.split(", ")]
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last
