"""CSV that people open in a spreadsheet: read there as UTF-8, and no cell of it worked out."""

import csv
import io
from collections.abc import Iterable, Sequence
from typing import TypeAlias

BYTE_ORDER_MARK = "\ufeff"  # without it a spreadsheet may take UTF-8 for Windows-1252
# A spreadsheet takes a cell that begins so for a formula (OWASP, CSV Injection).
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
Cell: TypeAlias = object  # numbers and days are written as they are, nothing for None


def for_spreadsheets(rows: Iterable[Sequence[Cell]], delimiter: str = ",") -> str:
    """Rows, the header first, as the text of a CSV file."""
    text = io.StringIO()
    text.write(BYTE_ORDER_MARK)
    writer = csv.writer(text, delimiter=delimiter)
    writer.writerows([marked(cell) for cell in row] for row in rows)
    return text.getvalue()


def marked(cell: Cell) -> Cell:
    """A cell that no spreadsheet works out: text that looks like a formula is marked as text."""
    is_formula = isinstance(cell, str) and cell.lstrip(" ").startswith(FORMULA_STARTS)
    return f"'{cell}" if is_formula else cell
