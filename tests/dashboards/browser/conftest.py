"""Pages in Debian's Chromium, opened from the disk as a reader opens them."""

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType

import duckdb
import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from dashboards import publish
from pipeline.workspace import Release

FLAGS = (
    *("--no-sandbox", "--disable-quic", "--disable-gpu", "--disable-background-networking"),
    *("--hide-scrollbars", "--force-color-profile=srgb", "--font-render-hinting=none"),
)
DESK = {"width": 1280, "height": 900}
MARKUP = '<img src=x onerror="window.fired=1"><b>bold</b>&amp;'


@dataclass
class Opened:
    """A page with what it complained of and asked for beyond the disk."""

    page: Page
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.page.on("console", self._said)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self._asked(request.url))

    def _said(self, message: object) -> None:
        if message.type in ("error", "warning"):  # type: ignore[attr-defined]
            self.complaints.append(message.text)  # type: ignore[attr-defined]

    def _asked(self, url: str) -> None:
        if not url.startswith(("file:", "data:", "blob:")):
            self.requests.append(url)


OpenPage = Callable[..., Opened]


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    path = shutil.which("chromium")
    assert path, "chromium is not installed: apt-get install chromium"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        yield browser
        browser.close()


@pytest.fixture
def tab(chromium: Browser) -> Iterator[OpenPage]:
    """Opens an empty page; viewport, colour scheme and the like as Playwright names them."""
    contexts: list[BrowserContext] = []

    def opened(**settings: object) -> Opened:
        contexts.append(chromium.new_context(**({"viewport": DESK} | settings)))  # type: ignore[arg-type]
        return Opened(contexts[-1].new_page())

    yield opened
    for context in contexts:
        context.close()


@pytest.fixture(scope="session")
def demo_pages(demo_release: Release) -> Path:
    """The folder of the demo's pages."""
    return demo_release.dashboards


@pytest.fixture(scope="session")
def marked_up(invented: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of pages of a release in which every free text holds markup."""
    made = invented.make_release(tmp_path_factory.mktemp("marked_up") / "release", courses=300)
    with duckdb.connect(str(made.warehouse)) as connection:
        for table, column in (
            *(("staging.stg_sites", "label"), ("quality.files", "file")),
            *(("quality.files", "file_reason"), ("quality.refused_reasons", "file")),
            *(
                ("quality.refused_reasons", "column_name"),
                ("quality.refusal_changes", "column_name"),
            ),
            *(("quality.harms_to_settle", "decision"), ("quality.gate_results", "description")),
            *(("quality.gate_results", "observed"), ("quality.gate_results", "next_step")),
            *(("courses.adverse_events", "device"), ("courses.adverse_events", "harm_key")),
        ):
            connection.execute(
                f"update {table} set {column} = ? where {column} is not null", [MARKUP]
            )
    content = invented.settings().model_dump(mode="json")
    content["group"]["name"] = MARKUP
    for protocol in content["protocol"]:
        protocol["label"] = MARKUP
    settings = invented.settings(**content)
    publish(Release(made.root, settings, made.as_of))
    return made.dashboards
