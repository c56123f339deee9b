"""Each threat that DEVELOPERS.md names has its tests, and they are there."""

import re
from pathlib import Path

PROJECT = Path(__file__).parents[2]
TEST = re.compile(r"`(test_\w+\.py)`")


def threats() -> list[list[str]]:
    """The table's rows, as cells."""
    text = (PROJECT / "DEVELOPERS.md").read_text("utf-8")
    section = text.split("## Who might do harm")[1].split("\n## ")[0]
    rows = [line for line in section.splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in rows[1:]]


def test_there_are_threats():
    assert len(threats()) >= 20
    assert len({what for what, _, _ in threats()}) == len(threats())


def test_each_names_a_protection_and_tests_that_exist():
    kept = {path.name for path in (PROJECT / "tests").rglob("test_*.py")}
    for what, protection, tests in threats():
        named = TEST.findall(tests)
        assert protection, what
        assert named, what
        assert set(named) <= kept, what


def test_a_name_that_is_none_would_be_seen():
    assert TEST.findall("`test_gone.py`") == ["test_gone.py"]


def test_whatever_writes_csv_marks_what_a_spreadsheet_would_work_out():
    writing = {
        path.name: text
        for folder in ("dashboards", "expectations", "ingest", "models", "pipeline")
        for path in (PROJECT / folder).rglob("*.py")
        for text in [path.read_text("utf-8")]
        if "csv.writer(" in text or "DictWriter(" in text
    }
    assert writing
    assert [name for name, text in writing.items() if "FORMULA_STARTS" not in text] == []
