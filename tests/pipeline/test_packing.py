"""`lidcohort pack`: a clinic's pages in one PDF, printed by a real Chromium, and what ends it."""

import http.server
import json
import os
import stat
import threading
import time
from pathlib import Path

import pytest
from pypdf import PdfReader

from pipeline import chromium, packing
from pipeline.cli import carry_out

MONTHS = ("2025-05", "2025-06")
PAGE = '<title>{title}</title><h1>{title}</h1><a href="index.html">Elsewhere</a>'


@pytest.fixture
def published(root):
    """Two clinics' pages as people read them; cedar has none yet."""
    settings = root / "group.toml"
    settings.write_text(
        '[[site]]\ncode = "birch"\n[[site]]\ncode = "cedar"\n' + settings.read_text()
    )
    months = {"alder": MONTHS, "birch": MONTHS[:1]}
    for site, of_site in months.items():
        folder = root / "releases" / "r" / "dashboards" / "clinics" / site
        folder.mkdir(parents=True)
        for name in (*of_site, "index", "recall", "response", "safety", "quality"):
            (folder / f"{name}.html").write_text(PAGE.format(title=f"{site} {name}"))
    (root / "current").symlink_to("releases/r")
    return root


@pytest.fixture
def pack(lidcohort):
    return lambda *more, month="2025-06": lidcohort("pack", "--month", month, *more)


@pytest.fixture
def stand_in(tmp_path, monkeypatch):
    """A browser that does what a test says, in place of the real one."""

    def make(script: str) -> Path:
        path = tmp_path / "browser"
        path.write_text(f"#!/bin/sh\n{script}\n")
        path.chmod(0o755)
        monkeypatch.setenv(chromium.BROWSER_VARIABLE, str(path))
        return path

    return make


def told(capsys) -> str:
    output = capsys.readouterr()
    return output.out + output.err


def folder_of(root: Path, month: str = "2025-06") -> Path:
    return root.with_name(f"group.pack-{month}")


def titles(pdf: Path) -> list[str]:
    return [item.title for item in PdfReader(pdf).outline]


@pytest.mark.browser
def test_a_clinics_latest_month_is_one_pdf_with_the_recall_list(published, pack, capsys):
    assert pack() == 0
    [pdf] = folder_of(published).iterdir()
    assert pdf.name == "alder-2025-06.pdf"
    parts = ["alder 2025-06", "alder recall", "alder response", "alder safety"]
    assert titles(pdf) == parts
    read = PdfReader(pdf)
    assert [page.extract_text().splitlines()[0] for page in read.pages] == parts
    assert read.metadata.title == "alder 2025-06"
    said = told(capsys)
    assert f"Wrote {pdf}" in said
    assert "Without a page of 2025-06, and so left out: birch, cedar." in said


@pytest.mark.browser
def test_an_earlier_month_has_no_recall_list_of_today(published, pack):
    assert pack(month="2025-05") == 0
    alder, birch = sorted(folder_of(published, "2025-05").iterdir())
    assert titles(alder) == ["alder 2025-05", "alder response", "alder safety"]
    assert titles(birch) == ["birch 2025-05", "birch recall", "birch response", "birch safety"]


@pytest.mark.browser
def test_one_clinic_alone_and_where_it_is_said(published, pack, tmp_path, capsys):
    out = tmp_path / "paper"
    assert pack("--site", "birch", "--out", str(out), "--json", month="2025-05") == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["files"] == [str(out / "birch-2025-05.pdf")]
    assert answer["left_out"] == []
    assert [path.name for path in out.iterdir()] == ["birch-2025-05.pdf"]


@pytest.mark.browser
def test_a_pdf_holds_no_link_to_this_machine(published, pack):
    pack()
    content = (folder_of(published) / "alder-2025-06.pdf").read_bytes()
    assert b"file:" not in content
    assert not [
        page
        for page in PdfReader(folder_of(published) / "alder-2025-06.pdf").pages
        if page.get("/Annots")
    ]


@pytest.mark.browser
def test_only_its_owner_may_read_it(published, pack):
    pack()
    folder = folder_of(published)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(pdf.stat().st_mode) for pdf in folder.iterdir()} == {0o600}


@pytest.mark.browser
def test_a_pack_is_made_again_over_itself_and_leaves_the_rest(published, pack):
    folder = folder_of(published)
    folder.mkdir(mode=0o755)
    (folder / "notes.txt").write_text("as it was")
    (folder / "alder-2025-06.pdf").write_text("of an earlier release")
    assert pack() == 0
    assert (folder / "notes.txt").read_text() == "as it was"
    assert len(titles(folder / "alder-2025-06.pdf")) == 4
    assert stat.S_IMODE(folder.stat().st_mode) == 0o755
    assert sorted(path.name for path in folder.iterdir()) == ["alder-2025-06.pdf", "notes.txt"]


@pytest.mark.browser
def test_nothing_is_asked_of_the_network(tmp_path):
    """A page that would fetch an image from this very machine, without a policy against it."""
    asked: list[str] = []

    class Server(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_error(404)

        def log_message(self, *_: object) -> None:
            pass

    page, pdf = tmp_path / "page.html", tmp_path / "page.pdf"
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Server) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        for host in ("127.0.0.1", "localhost"):
            page.write_text(f'<h1>Here</h1><img src="http://{host}:{server.server_port}/{host}">')
            chromium.print_page(chromium.find_browser(), page, pdf, tmp_path / "profile")
        server.shutdown()
    assert "Here" in PdfReader(pdf).pages[0].extract_text()
    assert asked == []


@pytest.mark.browser
def test_the_browser_keeps_nothing(published, pack, tmp_path, monkeypatch):
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    monkeypatch.setattr(packing, "TemporaryDirectory", _in(scratch))
    assert pack() == 0
    assert list(scratch.iterdir()) == []


def _in(folder: Path):
    from tempfile import TemporaryDirectory

    return lambda **options: TemporaryDirectory(dir=folder, **options)


def test_without_a_browser_one_line_says_how_to_get_one(published, pack, monkeypatch, capsys):
    monkeypatch.setenv("PATH", "/nowhere")
    monkeypatch.delenv(chromium.BROWSER_VARIABLE, raising=False)
    assert pack() == 1
    said = told(capsys)
    assert "No Chromium is in PATH" in said
    assert "`apt install chromium`" in said
    assert chromium.BROWSER_VARIABLE in said
    assert said.count("\n") == 1
    assert not folder_of(published).exists()


def test_a_browser_that_is_named_goes_before_those_in_path(stand_in):
    named = stand_in("exit 0")
    assert chromium.find_browser() == named


def test_a_browser_that_is_named_and_not_there_is_refused(published, pack, monkeypatch, capsys):
    monkeypatch.setenv(chromium.BROWSER_VARIABLE, "/nowhere/chromium")
    assert pack() == 1
    assert "names /nowhere/chromium, which is no program." in told(capsys)


def test_a_browser_that_prints_nothing_is_one_line_and_nothing_is_written(
    published, pack, stand_in, capsys
):
    browser = stand_in("exit 3")
    assert pack() == 1
    said = told(capsys)
    assert f"{browser} did not print" in said
    assert "2025-06.html and ended with status 3." in said
    assert not folder_of(published).exists()


def test_a_browser_that_does_not_end_is_ended_with_its_helpers(
    published, pack, stand_in, tmp_path, monkeypatch, capsys
):
    monkeypatch.setattr(chromium, "SECONDS_AT_MOST", 1)
    stand_in(f"sleep 60 &\necho $! > {tmp_path}/helper\nwait")
    assert pack() == 1
    assert "within 1 s." in told(capsys)
    helper = int((tmp_path / "helper").read_text())
    assert not _is_running(helper)
    assert not folder_of(published).exists()


def test_ctrl_c_ends_the_browser_too_and_writes_nothing(
    published, pack, stand_in, tmp_path, capsys
):
    stand_in(f"sleep 60 &\necho $! > {tmp_path}/helper\nkill -INT $PPID\nwait")
    assert pack() == 1
    assert told(capsys) == "Error: Interrupted. Run the same command again to go on.\n"
    assert not _is_running(int((tmp_path / "helper").read_text()))
    assert not folder_of(published).exists()


def _is_running(pid: int) -> bool:
    """Whether a process still is, a moment after it was told to end."""
    for _ in range(50):
        try:
            state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
        except FileNotFoundError:
            return False
        if state == "Z":
            return False
        time.sleep(0.1)
    return True


@pytest.mark.browser
def test_a_later_page_that_fails_leaves_no_pdf_of_the_earlier(published, pack, stand_in, tmp_path):
    real = next(filter(None, map(chromium.shutil.which, chromium.NAMES)))
    stand_in(f'case "$*" in *birch/safety*) exit 1;; esac\nexec {real} "$@"')
    assert pack(month="2025-05") == 1
    assert not folder_of(published, "2025-05").exists()


def test_the_sandbox_stays_unless_root_would_not_start_with_it(tmp_path, stand_in, monkeypatch):
    browser = stand_in(f'echo "$@" >> {tmp_path}/told; touch {tmp_path}/page.pdf')
    for user in (0, 1000):
        monkeypatch.setattr(os, "geteuid", lambda user=user: user)
        chromium.print_page(browser, tmp_path / "p.html", tmp_path / "page.pdf", tmp_path / "f")
    as_root, as_user = (tmp_path / "told").read_text().splitlines()
    assert "--no-sandbox" in as_root
    assert "--no-sandbox" not in as_user


@pytest.mark.parametrize(
    ("arguments", "month", "said"),
    [
        ((), "June", "--month June is no month. Write it like 2025-06."),
        ((), "2025-13", "--month 2025-13 is no month."),
        ((), "2031-01", "has no page of 2031-01. There are 2025-05 to 2025-06."),
        (("--site", "birch"), "2025-06", "has no page of 2025-06 of birch. There are 2025-05 to"),
        (("--site", "cedar"), "2025-06", "has no page of 2025-06 of cedar. There is none yet."),
        (
            ("--site", "aldr"),
            "2025-06",
            "--site aldr is no site of group.toml; did you mean 'alder'",
        ),
    ],
)
def test_what_is_asked_must_be_there(published, pack, capsys, arguments, month, said):
    assert pack(*arguments, month=month) == 2
    output = told(capsys)
    assert said in output
    assert output.count("\n") == 1


@pytest.mark.parametrize("place", ["paper", "current/paper", "releases/r/dashboards"])
def test_nothing_is_written_into_the_workspace(published, pack, capsys, place):
    assert pack("--out", str(published / place)) == 2
    assert "lies in the workspace, where others read." in told(capsys)


def test_a_file_is_no_folder(published, pack, tmp_path, capsys):
    (tmp_path / "file").write_text("as it was")
    assert pack("--out", str(tmp_path / "file")) == 2
    assert "is a file. Name a folder with --out." in told(capsys)


def test_before_anything_is_published_it_says_so(root, capsys):
    assert carry_out(["pack", "--month", "2025-06", "--workspace", str(root)]) == 2
    assert "Nothing has been published in" in told(capsys)
