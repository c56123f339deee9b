"""The start page's self-check: rows in against rows out, and what is kept."""

from types import SimpleNamespace

import pytest

from dashboards.self_check import self_check


def told(*files, keep=12):
    names = ("rows_read", "accepted", "refused", "exact_repeats", "forgotten")
    rows = [dict(zip(names, file, strict=True)) for file in files]
    full = SimpleNamespace(find=lambda table: rows if table == "quality.files" else None)
    settings = SimpleNamespace(releases=SimpleNamespace(keep=keep))
    return self_check(SimpleNamespace(full=full, settings=settings))


def test_every_row_is_accounted_for():
    assert told((1200, 1000, 150, 49, 1), (5, 5, 0, 0, None)).startswith(
        "Each of 1\u202f205 rows in 2 files is accounted for. "
    )


@pytest.mark.parametrize("file", [(10, 8, 1, 0, 0), (8, 8, 1, 0, 0)])
def test_a_row_that_is_not_is_said(file):
    assert told(file).startswith("1 row is not accounted for: report this. ")


def test_what_is_kept_is_the_settings():
    assert "Up to 3 other releases" in told((0, 0, 0, 0, 0), keep=3)


def test_it_stands_on_the_start_page(pages):
    assert "<strong>Self-check.</strong>" in pages["index.html"]
