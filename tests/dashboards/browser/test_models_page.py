"""The page that dbt makes of the models, opened from the disk."""

import pytest

from pipeline.workspace import Release
from tests.dashboards.browser.conftest import OpenPage

pytestmark = pytest.mark.browser


def test_the_models_are_told_without_a_request(demo_release: Release, tab: OpenPage) -> None:
    page = demo_release.models_page.as_uri()
    opened = tab()
    opened.page.goto(f"{page}#!/model/model.lidcohort.safety")
    opened.page.get_by_role("heading", name="safety").wait_for()
    words = opened.page.locator("body").inner_text()
    assert "rate_per_100" in words
    assert "exact 95 % limits" in words
    opened.page.goto(f"{page}#!/overview")
    opened.page.get_by_text("The models of lidcohort").wait_for()
    assert opened.requests == []
