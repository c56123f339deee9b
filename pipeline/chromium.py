"""Printing pages with a Chromium that is installed: without a window, a network or a trace."""

import os
import shutil
import signal
import subprocess
from contextlib import suppress
from pathlib import Path

from pipeline.errors import LidcohortError
from pipeline.interruption import postponed, raise_if_interrupted

BROWSER_VARIABLE = "LIDCOHORT_CHROMIUM"
NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
SECONDS_AT_MOST = 120  # for a page; one takes two or three
SETTLED_MS = 10_000  # of the page's own clock, until when its charts are drawn
OPTIONS = (
    *("--headless", "--disable-gpu", "--disable-dev-shm-usage", "--disable-extensions"),
    *("--no-first-run", "--no-default-browser-check", "--disable-default-apps"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
    *("--disable-breakpad", "--host-resolver-rules=MAP * ~NOTFOUND"),  # it finds no other machine
    f"--virtual-time-budget={SETTLED_MS}",
    "--no-pdf-header-footer",
)


def find_browser() -> Path:
    """The browser that the environment names, or else the first one in PATH.

    Raises:
        LidcohortError: there is none.
    """
    named = os.environ.get(BROWSER_VARIABLE)
    found = next(filter(None, map(shutil.which, [named] if named else NAMES)), None)
    if found:
        return Path(found)
    if named:
        raise LidcohortError(
            f"{BROWSER_VARIABLE} names {named}, which is no program.",
            "Give the path of a Chromium or Chrome.",
        )
    raise LidcohortError(
        f"No Chromium is in PATH ({', '.join(NAMES)}), and it is what prints the pages.",
        "Install one, on Debian or Ubuntu with `apt install chromium`, or say where one is in "
        f"{BROWSER_VARIABLE}; the pages themselves print from any browser.",
    )


def print_page(browser: Path, page: Path, pdf: Path, profile: Path) -> None:
    """Print a page that lies on the disk to a PDF file.

    Args:
        browser: as `find_browser` gives it.
        page: the page's file.
        pdf: where the PDF is to lie.
        profile: a folder of its own for all that the browser keeps; used by one page at a time.

    Raises:
        LidcohortError: it ended without a PDF, or did not end in time.
    """
    command = [
        *(str(browser), *OPTIONS, f"--user-data-dir={profile}", f"--print-to-pdf={pdf}"),
        *(("--no-sandbox",) if os.geteuid() == 0 else ()),  # which it does not start for root
        page.resolve().as_uri(),
    ]
    with postponed():  # until there is a process to end
        process = subprocess.Popen(  # noqa: S603
            command,  # the person's own browser, and nothing of an export
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    try:
        raise_if_interrupted()
        process.wait(SECONDS_AT_MOST)
    except subprocess.TimeoutExpired:
        raise _failed(browser, page, f"within {SECONDS_AT_MOST} s") from None
    finally:
        with suppress(ProcessLookupError):  # its helpers end with it
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    if not pdf.is_file():
        raise _failed(browser, page, f"and ended with status {process.returncode}")


def _failed(browser: Path, page: Path, how: str) -> LidcohortError:
    return LidcohortError(
        f"{browser} did not print {page} {how}.",
        f"See that it starts and may read that page, or name another one in {BROWSER_VARIABLE}.",
    )
