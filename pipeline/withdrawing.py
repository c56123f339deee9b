"""Withdrawing a batch: from the next release on it does not count, but its harms stay listed."""

from datetime import date

from ingest.batches import Batch, covered_days, find_exports
from ingest.withdrawing import harms_of_batch
from ingest.withdrawn import Withdrawal, read_withdrawn, write_withdrawn
from pipeline import release as releases
from pipeline.errors import WrongUse, as_sentence, in_short, suggestion
from pipeline.files import private_folder
from pipeline.history import Run
from pipeline.rekeying import with_lists_rekeyed
from pipeline.voice import Answer, Voice
from pipeline.workspace import Workspace


def withdraw(workspace: Workspace, place: str, voice: Voice, run: Run) -> Answer:
    """Put a batch, `site/batch`, on the list of those withdrawn.

    The clinic's files stay as they are, and so does every release made so far. The caller holds the
    workspace, and records what `run` comes to.

    Raises:
        WrongUse: it names no site, or no batch.
        LidcohortError: whatever else went wrong; the list is then as it was.
    """
    site, batch = _named(workspace, place)
    workspace = with_lists_rekeyed(workspace)
    withdrawn = {one.place: one for one in read_withdrawn(workspace)}
    run.outcome = "withdrawn_before"
    if (site, batch) not in withdrawn:
        withdrawn[site, batch] = _withdrawal(workspace, _find(workspace, site, batch), voice)
        write_withdrawn(workspace, withdrawn.values())
        run.outcome = "withdrawn"
    return _withdrawn(workspace, withdrawn[site, batch], run.outcome)


def take_back(workspace: Workspace, place: str, _: Voice, run: Run) -> Answer:
    """Take a batch off the list again; otherwise as `withdraw`.

    Raises:
        WrongUse: it was not withdrawn.
    """
    withdrawn = {one.place: one for one in read_withdrawn(workspace)}
    if _named(workspace, place) not in withdrawn:
        others = in_short(["/".join(one) for one in withdrawn]) or "none"
        raise WrongUse(f"{place} was not withdrawn.", f"Withdrawn are {others}.")
    del withdrawn[_named(workspace, place)]
    write_withdrawn(workspace, withdrawn.values())
    run.outcome = "taken_back"
    return _taken_back(workspace, place)


def _named(workspace: Workspace, place: str) -> tuple[str, str]:
    site, _, batch = place.partition("/")
    known = workspace.settings.site_codes
    if site not in known:
        raise WrongUse(
            as_sentence(f"--batch {place} names no site of group.toml; {suggestion(site, known)}"),
            "Write it SITE/BATCH, like alder/2025-06.",
        )
    if covered_days(batch) is None:
        raise WrongUse(
            f"--batch {place} names no batch.", f"Write it SITE/BATCH, like {site}/2025-06."
        )
    return site, batch


def _find(workspace: Workspace, site: str, name: str) -> Batch:
    day = covered_days(name)
    batches = find_exports(workspace.as_of(day[1] if day else None)).batches
    of_site = [batch for batch in batches if batch.site == site]
    for batch in of_site:
        if batch.name == name:
            return batch
    others = in_short([batch.name for batch in of_site]) or "none"
    raise WrongUse(
        f"exports/{site}/{name} holds no export.",
        f"Name a batch that does; up to that day there are {others}.",
    )


def _withdrawal(workspace: Workspace, batch: Batch, voice: Voice) -> Withdrawal:
    for store in (workspace.accepted, workspace.quarantine):
        private_folder(store)
    releases.refuse_another_key(workspace)
    with voice.stage("ingest") as stage:
        harms = harms_of_batch(workspace, batch)
        stage.counts = {"harms in the batch": len(harms)}
    return Withdrawal(
        batch.site,
        batch.name,
        batch.first_day.isoformat(),
        batch.last_day.isoformat(),
        date.today().isoformat(),
        harms,
    )


def _withdrawn(workspace: Workspace, withdrawal: Withdrawal, outcome: str) -> Answer:
    place = f"{withdrawal.site}/{withdrawal.batch}"
    harms = len(withdrawal.harms)
    told = "It told of no harm."
    if harms:
        told = (
            f"The harms it told of ({harms:,}) stay listed as withdrawn until group.toml settles "
            "them or another batch tells of them."
        )
    return Answer(
        f"{place} was withdrawn on {withdrawal.withdrawn_on}: from the next release on it does "
        f"not count. {told}\n"
        f"Its files in exports/{place} stay as they are, and so do the releases made so far: to "
        "erase a patient use `lidcohort forget`.\n"
        f"Next: `lidcohort run --workspace {workspace.root}`. With --undo it counts again, as it "
        "must once the clinic sends a corrected batch of this name.",
        {"outcome": outcome, "batch": place, "harms": harms},
    )


def _taken_back(workspace: Workspace, place: str) -> Answer:
    return Answer(
        f"{place} counts again from the next release on.\n"
        f"Next: `lidcohort run --workspace {workspace.root}`.",
        {"outcome": "taken_back", "batch": place},
    )
