"""What a page is made of: charts that carry their own table, tables, and the page itself."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import Any, TypeAlias

from jinja2 import Environment, PackageLoader, StrictUndefined

from dashboards import words


@dataclass(frozen=True)
class Link:
    """`to` is a page's path within the dashboards, or a place `#slug` on the page itself."""

    text: str
    to: str


@dataclass(frozen=True)
class Key:
    """What is to be copied letter by letter: a harm's key."""

    text: str


Value: TypeAlias = str | Link | Key


@dataclass(frozen=True)
class Table:
    """Figures as shown. The first column names the row; `empty` is said where there is no row."""

    caption: str
    headings: tuple[str, ...]
    rows: tuple[tuple[Value, ...], ...]
    words_in: tuple[int, ...] = (0,)  # columns that hold words, not figures
    empty: str = "None."


@dataclass(frozen=True)
class Chart:
    """A figure with a sentence that says what it shows, what limits it, and the same as a table.

    `figure` is None where there is nothing to draw; then `instead` says so in its place.
    """

    slug: str
    heading: str
    reading: str
    limits: str
    figure: Mapping[str, Any] | None
    table: Table
    instead: str = words.TOO_FEW


@dataclass(frozen=True)
class Page:
    """One page; `path` within the dashboards, `template` within templates."""

    path: str
    template: str
    title: str
    content: Mapping[str, Any]
    cautions: tuple[str, ...] = ()
    menu: tuple[Link, ...] = ()


@dataclass(frozen=True)
class Frame:
    """What every page of a release shares."""

    group: str
    as_of: str
    release: str
    cautions: tuple[str, ...]
    invented: bool
    environment: Environment = field(repr=False)

    def render(self, page: Page) -> str:
        """The page as HTML; equal content gives equal text."""
        depth = len(PurePosixPath(page.path).parts) - 1
        return self.environment.get_template(page.template).render(
            page=page,
            frame=self,
            root="../" * depth,
            **page.content,
        )


def environment() -> Environment:
    """Templates with everything escaped, and a missing word an error."""
    made = Environment(
        loader=PackageLoader("dashboards"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.filters["capital"] = words.capital
    return made


def table(
    caption: str,
    headings: Sequence[str],
    rows: Iterable[Sequence[Value]],
    *,
    words_in: tuple[int, ...] = (0,),
    empty: str = "None.",
) -> Table:
    return Table(caption, tuple(headings), tuple(tuple(row) for row in rows), words_in, empty)
