"""The main pages look as they did when somebody last looked at them."""

import pytest
from playwright.sync_api import Browser

from pipeline.workspace import Release
from tests.dashboards.browser.conftest import OpenPage
from tests.dashboards.browser.looks import LOOKS, REVIEWED, SHARE_ALIKE, picture, share_alike

pytestmark = pytest.mark.browser


@pytest.mark.parametrize("name", LOOKS)
def test_a_main_page_looks_as_reviewed(
    release: Release, chromium: Browser, tab: OpenPage, name: str
) -> None:
    path, size = LOOKS[name]
    taken = picture(chromium, release.dashboards / path, size)
    reviewed = (REVIEWED / f"{name}.png").read_bytes()
    assert share_alike(tab().page, taken, reviewed) >= SHARE_ALIKE, (
        f"{path} looks different from {name}.png: look at both, then renew (see looks.py)"
    )


def test_no_picture_is_kept_that_nobody_compares() -> None:
    assert {file.stem for file in REVIEWED.glob("*.png")} == set(LOOKS)


def test_pages_that_look_different_are_told_apart(tab: OpenPage) -> None:
    start, safety = ((REVIEWED / f"{name}.png").read_bytes() for name in ("start", "safety"))
    phone = (REVIEWED / "start_on_a_phone.png").read_bytes()
    page = tab().page
    assert share_alike(page, start, start) == 1
    assert share_alike(page, start, safety) < SHARE_ALIKE
    assert share_alike(page, start, phone) == 0


def test_a_colour_that_changed_is_seen_and_smoothing_is_not(tab: OpenPage) -> None:
    page = tab(viewport={"width": 320, "height": 400}).page
    taken = []
    for style in ("background:#0072b2", "background:#0373b0", "background:#d55e00"):
        page.set_content(f'<div style="height:120px;{style}">a sentence</div>')
        taken.append(page.screenshot())
    assert share_alike(page, taken[0], taken[1]) == 1
    assert share_alike(page, taken[0], taken[2]) < SHARE_ALIKE
