"""What tests read of a page: its words, and a chart's section and figure."""

import json
import re
from html import unescape
from typing import Any


def plain(html: str) -> str:
    """A page's words, without its charts' data."""
    without = re.sub(r"<script.*?</script>", "", html, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", without)).split())


def section(html: str, slug: str) -> str:
    found = re.search(rf'<section class="chart" id="{slug}".*?</section>', html, re.DOTALL)
    assert found, slug
    return found[0]


def figure(html: str, slug: str) -> dict[str, Any]:
    found = re.search(r'application/json">(.*?)</script>', section(html, slug), re.DOTALL)
    assert found
    read: dict[str, Any] = json.loads(found[1])
    return read
