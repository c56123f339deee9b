"""CSV that a spreadsheet opens: as UTF-8, and with no cell worked out."""

import csv
import io

import pytest

from pipeline.spreadsheets import for_spreadsheets, marked


@pytest.mark.parametrize(
    "text",
    ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", " =1+1", "\uff1d1", "\uff201"],
)
def test_text_that_looks_like_a_formula_is_marked(text):
    """OWASP, "CSV Injection": the characters that begin a formula, and their full-width forms."""
    assert marked(text) == f"'{text}"


@pytest.mark.parametrize("cell", ["visits.csv: 2", "1=1", "a-b", "", -5, 0, "'=1+1"])
def test_other_text_and_numbers_stay_as_they_are(cell):
    assert marked(cell) == cell


def test_a_file_begins_with_a_mark_of_its_encoding_and_reads_back_as_it_was():
    rows = [["name", "n"], ['Müller; "M"\n', 3], ["=1", -1]]
    text = for_spreadsheets(rows, ";")
    assert text.encode().startswith(b"\xef\xbb\xbf")
    read = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), delimiter=";")
    assert list(read) == [["name", "n"], ['Müller; "M"\n', "3"], ["'=1", "-1"]]
