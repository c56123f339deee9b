"""What a release hands out, looked through again as a reader would: small counts that are shown.

The pages and tables were made with counts hidden; here nothing is taken on trust, and what lies on
the disk is read.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

import polars as pl

from dashboards.shared_tables import SHAPES
from dashboards.words import HIDDEN

CLINICS = "clinics"  # its own pages stay there, with full counts
KEY = re.compile(rb"(?<![0-9a-f.])(?=[0-9]*[a-f])[0-9a-f]{16,32}(?![0-9a-f])")
SHARE = "100"  # in a heading or a caption: so many in 100
WHOLE_NUMBER = re.compile(r"\d{1,3}(?:[\u202f,]\d{3})*|\d+")
OF_COUNTS = frozenset(  # headings of columns of counts; others are known by a hidden count in them
    {
        *("courses", "patients", "sessions", "measured", "responding", "responders", "asked"),
        *("counted", "harms", "recorded as serious", "begun", "treated", "intervals", "eyes"),
    }
)


@dataclass(frozen=True)
class SmallCount:
    """A count from 1 to below the limit that somebody outside the clinic can read."""

    file: str
    column: str
    times: int


def small_counts_in_tables(folder: Path, below: int) -> list[SmallCount]:
    """Of a folder of Parquet files, columns of counts that show a small one.

    Raises:
        OSError: a file cannot be read.
    """
    return [
        SmallCount(path.name, column, times)
        for path in sorted(folder.rglob("*.parquet"))
        for column, times in _small_in_table(path, below)
    ]


def small_counts_on_pages(folder: Path, below: int) -> list[SmallCount]:
    """Of a folder of pages but the clinics' own, columns of counts that show a small one."""
    return [
        SmallCount(str(path.relative_to(folder)), column, times)
        for path in sorted(folder.rglob("*.html"))
        if CLINICS not in path.relative_to(folder).parts
        for column, times in _small_on_page(path.read_text("utf-8"), below)
    ]


def keys_told(release: Path) -> list[tuple[str, int]]:
    """Of a release's tables and pages but the clinics' own: files that hold patients' keys."""
    dashboards, tables = release / "dashboards", release / "tables"
    found = {
        str(path.relative_to(release)): len(KEY.findall(path.read_bytes()))
        for path in sorted(dashboards.rglob("*.html"))
        if CLINICS not in path.relative_to(dashboards).parts
    }
    for path in sorted(tables.rglob("*.parquet")):
        table = pl.read_parquet(path)
        named = [name for name in table.columns if name.endswith("_key")]
        found[str(path.relative_to(release))] = len(named) and table.height
    return [(file, times) for file, times in found.items() if times]


def _small_in_table(path: Path, below: int) -> Iterator[tuple[str, int]]:
    table = pl.read_parquet(path)
    shape = SHAPES.get(path.stem)
    counts = shape.counts if shape else [n for n, t in table.schema.items() if t.is_integer()]
    for column in filter(table.columns.__contains__, counts):
        times = int(table[column].is_between(1, below - 1).sum())
        if times:
            yield column, times


def _small_on_page(text: str, below: int) -> Iterator[tuple[str, int]]:
    parser = PageTables()
    parser.feed(text)
    for caption, (heading, *rows) in parser.captioned():
        for position, name in enumerate(heading):
            cells = [row[position] for row in rows if position < len(row)]
            if position == 0 or not _holds_counts(name, cells, below, caption):
                continue
            times = sum(0 < number < below for number in map(_number, cells))
            if times:
                yield name, times


def _holds_counts(heading: str, cells: list[str], below: int, caption: str) -> bool:
    """Whether a column holds counts: by its heading, or by what it hides in a table of counts."""
    if SHARE in heading:
        return False
    hides = not {f"<{below}", HIDDEN}.isdisjoint(cells) and SHARE not in caption
    return heading.lower() in OF_COUNTS or (hides and any(WHOLE_NUMBER.fullmatch(c) for c in cells))


def _number(cell: str) -> int:
    """A cell's whole number; 0 where it holds none."""
    return int(re.sub(r"\D", "", cell)) if WHOLE_NUMBER.fullmatch(cell) else 0


@dataclass
class PageTables(HTMLParser):
    """A page's tables as rows of cells' text, and what each is called."""

    tables: list[list[list[str]]] = field(default_factory=list)
    captions: list[str] = field(default_factory=list)
    _cell: list[str] | None = None

    def __post_init__(self) -> None:
        super().__init__()

    def captioned(self) -> Iterator[tuple[str, list[list[str]]]]:
        """Each table that has a row, with its caption."""
        named = zip(self.captions, self.tables, strict=True)
        return ((caption, table) for caption, table in named if table)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "table":
            self.tables.append([])
            self.captions.append(dict(attrs).get("aria-label") or "")
        elif tag == "tr" and self.tables:
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self._cell = []

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th") and self._cell is not None and self.tables:
            self.tables[-1][-1].append("".join(self._cell).strip())
            self._cell = None

    def handle_data(self, data: str) -> None:
        if self._cell is not None:
            self._cell.append(data)
