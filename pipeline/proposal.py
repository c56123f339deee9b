"""The `map` command: a proposal for a site's mapping, shown, or written where there is none."""

from pathlib import Path

from ingest.batches import kind_of
from ingest.contract import KINDS_BY_NAME, Kind
from ingest.proposing import propose
from pipeline.durable import Step
from pipeline.errors import WrongUse, as_sentence, suggestion
from pipeline.files import write_whole
from pipeline.settings import read_settings
from pipeline.voice import Answer


def propose_mapping(
    root: Path, site: str, sample: Path, kind_name: str | None, *, write: bool
) -> Answer:
    """Propose a mapping from a sample file; a mapping that is there already is never changed.

    Raises:
        WrongUse: an unknown site or kind, no such file, or `write` where a mapping is there.
    """
    settings = read_settings(root / "group.toml")
    if site not in settings.site_codes:
        raise WrongUse(
            as_sentence(
                f"{site} is no site of group.toml; {suggestion(site, settings.site_codes)}"
            ),
            "Name one of its sites.",
        )
    if not sample.is_file():
        raise WrongUse(f"{sample} is no file.", "Name a file that the clinic exported.")
    mapping = root.resolve() / "mappings" / f"{site}.toml"
    if write and mapping.exists():
        raise WrongUse(
            f"{mapping} is there already.", "Leave out --write, and put in by hand what is new."
        )
    proposal = propose(sample, _kind(sample, kind_name), site, settings.protocol_codes)
    preview = "".join(f"# {line}\n" for line in proposal.preview.splitlines())
    told = {"mapping": proposal.text, "preview": proposal.preview}
    if not write:
        return Answer(f"{proposal.text}\n{preview}", told)
    mapping.parent.mkdir(exist_ok=True)
    write_whole(mapping, proposal.text, step=Step.MAPPING)
    return Answer(
        f"{proposal.preview}\n\nWrote the proposal to {mapping}.\n"
        "Next: look at each of its lines, correct it, then `lidcohort check`.",
        {**told, "written": mapping},
    )


def _kind(sample: Path, name: str | None) -> Kind:
    """The kind that is named, or that the file's name begins with."""
    if name is None and (kind := kind_of(sample)):
        return kind
    if name in KINDS_BY_NAME:
        return KINDS_BY_NAME[name]
    known = ", ".join(KINDS_BY_NAME)
    what = (
        f"{sample.name} begins with no kind of export." if name is None else f"{name} is no kind."
    )
    raise WrongUse(what, f"Say --kind and one of {known}; files end in .csv, .parquet or .xlsx.")
