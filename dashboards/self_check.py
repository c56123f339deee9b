"""The start page's self-check: that no row was lost, and how long what is read is kept."""

from dashboards import words
from dashboards.source import Source

OUT = ("accepted", "refused", "exact_repeats", "forgotten")


def self_check(source: Source) -> str:
    """In words for the owner: rows in against rows out over all files, and what is kept.

    It depends on the release alone, so that equal inputs give the same page.
    """
    files = source.full.find("quality.files")
    read = sum(file["rows_read"] for file in files)
    out = sum(file[name] or 0 for file in files for name in OUT)
    if read == out:
        rows = f"each of {words.count(read, 0)} rows in {words.count(len(files), 0)} files"
        account = f"{rows} is accounted for"
    else:
        lost = abs(read - out)
        verb = "is" if lost == 1 else "are"
        account = f"{words.many(lost, 'row', 0)} {verb} not accounted for: report this"
    keep = source.settings.releases.keep
    return (
        f"{words.capital(account)}. Up to {keep} other releases are kept, as group.toml says. Once "
        "a month, let whoever runs this give the commands lidcohort status and lidcohort audit."
    )
