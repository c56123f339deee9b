"""Small counts that are shown on pages and in tables are found, and nothing else is."""

import polars as pl
import pytest

from dashboards.leaving import keys_told, small_counts_in_tables, small_counts_on_pages

PAGE = """<table><thead><tr><th>Grade</th><th>{heading}</th></tr></thead>
<tbody><tr><th>mild</th><td>{one}</td></tr><tr><th>severe</th><td>{other}</td></tr></tbody></table>
"""


def page(folder, heading, one, other, name="response.html"):
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(PAGE.format(heading=heading, one=one, other=other))


@pytest.mark.parametrize(
    ("heading", "one", "other"),
    [
        ("courses", "10", "120"),
        ("Asked", "1", "1\u202f200"),
        ("seen once more", "&lt;11", "4"),
        ("seen once more", "hidden", "10"),
    ],
)
def test_a_small_count_on_a_page_is_found(tmp_path, heading, one, other):
    page(tmp_path, heading, one, other)
    [found] = small_counts_on_pages(tmp_path, 11)
    assert (found.file, found.column, found.times) == ("response.html", heading, 1)


@pytest.mark.parametrize(
    ("heading", "one", "other"),
    [
        ("courses", "11", "0"),
        ("courses", "&lt;11", "2\u202f300"),
        ("courses", "4.5", "\u2013"),
        ("after session", "1", "2"),
        ("also treated, of 100", "hidden", "8"),
    ],
)
def test_nothing_else_is(tmp_path, heading, one, other):
    page(tmp_path, heading, one, other)
    assert small_counts_on_pages(tmp_path, 11) == []


def test_a_table_of_shares_holds_counts_under_their_headings_alone(tmp_path):
    page(tmp_path, "by chance", "hidden", "8")
    page(tmp_path, "measured", "hidden", "8", "rates.html")
    for path in tmp_path.iterdir():
        path.write_text(path.read_text().replace("<table>", '<table aria-label="of 100 eyes">'))
    assert [found.file for found in small_counts_on_pages(tmp_path, 11)] == ["rates.html"]


def test_a_clinics_own_pages_may_tell_its_counts(tmp_path):
    page(tmp_path, "courses", "3", "4", "clinics/alder/index.html")
    assert small_counts_on_pages(tmp_path, 11) == []


def test_the_limit_is_the_settings(tmp_path):
    page(tmp_path, "courses", "11", "19")
    assert small_counts_on_pages(tmp_path, 20)[0].times == 2


def test_a_small_count_in_a_table_is_found_by_the_tables_shape(tmp_path):
    pl.DataFrame(
        {"session_number": [1, 2], "asked": [12, 10], "sessions": [None, 0], "events": [40, 1]}
    ).write_parquet(tmp_path / "safety.parquet")
    found = small_counts_in_tables(tmp_path, 11)
    assert {(one.column, one.times) for one in found} == {("asked", 1), ("events", 1)}


def test_of_a_table_without_a_shape_every_whole_number_counts(tmp_path):
    pl.DataFrame({"number": [3], "share": [0.4]}).write_parquet(tmp_path / "of_its_own.parquet")
    assert [one.column for one in small_counts_in_tables(tmp_path, 11)] == ["number"]


@pytest.mark.parametrize("key", ["0a" * 16, "0123456789abcdef"])
def test_a_key_on_a_page_or_in_a_table_is_found(tmp_path, key):
    (tmp_path / "tables").mkdir()
    page(tmp_path / "dashboards", "courses", key, "12")
    pl.DataFrame({"patient_key": [key]}).write_parquet(tmp_path / "tables" / "recall.parquet")
    assert keys_told(tmp_path) == [("dashboards/response.html", 1), ("tables/recall.parquet", 1)]


def test_a_long_number_is_no_key(tmp_path):
    page(tmp_path / "dashboards", "courses", "0.12345678901234567", "2026-10-31-e58c4f74")
    assert keys_told(tmp_path) == []


def test_the_demo_shows_none(demo_release):
    below = demo_release.settings.privacy.hide_counts_below
    assert small_counts_in_tables(demo_release.tables, below) == []
    assert small_counts_on_pages(demo_release.dashboards, below) == []
    assert keys_told(demo_release.root) == []
