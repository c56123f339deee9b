"""The contract's page says what the contract says, and its examples are exports that pass."""

import re

import pytest

from ingest.contract import KINDS, MEANINGS, MEASURES, Reason
from ingest.contract_page import EXAMPLES, PAGE, page


def test_the_page_in_the_repository_is_the_one_that_is_written():
    assert PAGE.read_text(encoding="utf-8") == page(), "run python -m ingest.contract_page"


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_it_names_every_column_code_and_range(kind):
    section = page().split(f"## `{kind.name}`\n")[1].split("\n## ")[0]
    for column in kind.columns:
        row = next(line for line in section.splitlines() if line.startswith(f"| `{column.name}` |"))
        assert ("| yes |" in row) == column.required
        assert column.description in row
        assert all(f"`{code}`" in row for code in column.codes)
        if column.low is not None:
            assert f"{column.low:g} to {column.high:g}" in row


def test_it_names_every_measure_and_reason():
    lines = page().splitlines()
    for measure in MEASURES:
        row = f"| `{measure.name}` | {measure.low:g} to {measure.high:g} | {measure.unit} |"
        assert sum(line.startswith(row) for line in lines) == 1
    for reason in Reason:
        assert sum(line.startswith(f"| `{reason}` |") for line in lines) == 1
    assert set(MEANINGS) == set(Reason)


def test_its_examples_are_accepted_whole(exports):
    for kind in KINDS:
        text = re.search(rf"## `{kind.name}`\n.*?```csv\n(.*?)```", page(), re.DOTALL)[1]
        assert text.strip() == EXAMPLES[kind.name].strip()
        (exports.folder() / f"{kind.name}.csv").write_text(text)
    report = exports.read()
    counted = report.files.select("kind", "rows_read", "accepted", "file_reason").rows()
    assert len(counted) == len(KINDS)
    for kind, rows_read, accepted, refusal in counted:
        assert accepted == rows_read == EXAMPLES[kind].strip().count("\n"), (kind, refusal)
    assert report.flagged_values.is_empty()
