"""A clinic's month on paper: its pages in one PDF, to be handed to the clinic."""

import re
from collections.abc import Callable, Mapping, Sequence
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory

from pypdf import PdfReader, PdfWriter

from pipeline.chromium import find_browser, print_page
from pipeline.errors import WrongUse, as_sentence, in_short, suggestion
from pipeline.files import private_folder, write_whole
from pipeline.settings import read_settings
from pipeline.standing import current
from pipeline.taking_away import outside
from pipeline.voice import Answer, Voice

MONTH = re.compile(r"\d{4}-(?:0[1-9]|1[0-2])")
OF_TODAY = ("recall.html",)  # tells how things stand now: no part of an earlier month
OF_ALL_MONTHS = ("response.html", "safety.html")


def pack(root: Path, month: str, site: str | None, out: Path | None, voice: Voice) -> Answer:
    """Make one PDF for each clinic, or for one, of a month in the release that people read.

    Every PDF is made before the first one is written; one of the same month is replaced.

    Raises:
        WrongUse: it names no month, no site or no page that is published, or a place where nothing
            may be written.
        LidcohortError: no browser is there, or it does not print; nothing is written then.
    """
    root = root.resolve()
    known = read_settings(root / "group.toml").site_codes
    if not MONTH.fullmatch(month):
        raise WrongUse(f"--month {month} is no month.", "Write it like 2025-06.")
    if site is not None and site not in known:
        raise WrongUse(
            as_sentence(f"--site {site} is no site of group.toml; {suggestion(site, known)}"),
            "Leave it out for all of them.",
        )
    folder = outside(root, out, f"pack-{month}")
    if folder.exists() and not folder.is_dir():
        raise WrongUse(f"{folder} is a file.", "Name a folder with --out.")
    clinics = _pages(root, month, (site,) if site else known)
    browser = find_browser()
    with voice.stage("pack") as stage, TemporaryDirectory(ignore_cleanup_errors=True) as scratch:
        packs = _printed(clinics, browser, Path(scratch), stage.progress)
        stage.counts = {"clinics": len(packs), "pages": sum(map(len, clinics.values()))}
    if not folder.exists():
        private_folder(folder)
    files = [folder / f"{clinic}-{month}.pdf" for clinic in packs]
    for file, content in zip(files, packs.values(), strict=True):
        write_whole(file, content, mode=0o600)
    left_out = [clinic for clinic in known if clinic not in packs] if site is None else []
    return _answer(files, left_out, month)


def _pages(root: Path, month: str, sites: tuple[str, ...]) -> Mapping[str, tuple[Path, ...]]:
    """The pages of each clinic that has one of the month, the month's first."""
    release = current(root)
    if release is None:
        raise WrongUse(
            f"Nothing has been published in {root} yet.",
            f"`lidcohort run --workspace {root}` does.",
        )
    clinics = release / "dashboards" / "clinics"
    months = {site: _months(clinics / site) for site in sites}
    if not any(month in of_site for of_site in months.values()):
        published = sorted({one for of_site in months.values() for one in of_site})
        raise WrongUse(
            f"{release.name} has no page of {month}{f' of {sites[0]}' if len(sites) == 1 else ''}.",
            f"There are {published[0]} to {published[-1]}." if published else "There is none yet.",
        )
    return {
        site: tuple(
            clinics / site / name
            for name in (
                f"{month}.html",
                *(OF_TODAY if month == of_site[-1] else ()),
                *OF_ALL_MONTHS,
            )
        )
        for site, of_site in months.items()
        if month in of_site
    }


def _months(clinic: Path) -> list[str]:
    return sorted(page.stem for page in clinic.glob("*.html") if MONTH.fullmatch(page.stem))


def _printed(
    clinics: Mapping[str, tuple[Path, ...]],
    browser: Path,
    scratch: Path,
    on_progress: Callable[[int, int], None],
) -> dict[str, bytes]:
    """Each clinic's PDF."""
    pages = [page for of_clinic in clinics.values() for page in of_clinic]
    printed = {}
    for done, page in enumerate(pages, start=1):
        printed[page] = scratch / f"{done}.pdf"
        print_page(browser, page, printed[page], scratch / "profile")
        on_progress(done, len(pages))
    return {
        clinic: _joined([printed[page] for page in of_clinic])
        for clinic, of_clinic in clinics.items()
    }


def _joined(parts: Sequence[Path]) -> bytes:
    """Parts one after another, each under its own title in the outline."""
    whole = PdfWriter()
    for part in parts:
        read = PdfReader(part)
        title = read.metadata.title if read.metadata else None
        whole.append(read, outline_item=title)
        if part == parts[0] and title:
            whole.add_metadata({"/Title": title})
    whole.remove_links()  # they lead to where the pages lie on this machine
    content = BytesIO()
    whole.write(content)
    return content.getvalue()


def _answer(files: Sequence[Path], left_out: Sequence[str], month: str) -> Answer:
    lines = [
        *(f"Wrote {file}" for file in files),
        *(
            [f"Without a page of {month}, and so left out: {in_short(left_out)}."]
            if left_out
            else []
        ),
        "Each shows full counts: hand it to its own clinic alone.",
    ]
    return Answer("\n".join(lines), {"outcome": "packed", "files": files, "left_out": left_out})
