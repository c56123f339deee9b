"""What a page is made of: charts that carry their own table, tables, and the page itself."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import Any, TypeAlias
from urllib.parse import urlencode

from jinja2 import Environment, PackageLoader, StrictUndefined

from dashboards import words
from dashboards.trend import Trend


@dataclass(frozen=True)
class Link:
    """`to` is a page's path within the dashboards, or a place `#slug` on the page itself."""

    text: str
    to: str


@dataclass(frozen=True)
class Key:
    """What is to be copied letter by letter: a harm's key."""

    text: str


Value: TypeAlias = str | Link | Key | Trend


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

    `figure` is None where there is nothing to draw; then `instead` says so in its place. A table
    that is `long` stays off paper where its chart stands there.
    """

    slug: str
    heading: str
    reading: str
    limits: str
    figure: Mapping[str, Any] | None
    table: Table
    instead: str = words.TOO_FEW
    long: bool = False


@dataclass(frozen=True)
class Section:
    """One of a choice's ready sections; `answers` gives a code for each of its questions.

    `terms` are pairs of what is spoken of and what is said of it.
    """

    answers: tuple[str, ...]
    charts: tuple[Chart, ...]
    sentences: tuple[str, ...] = ()
    terms: tuple[tuple[str, str], ...] = ()
    tables: tuple[Table, ...] = ()


@dataclass(frozen=True)
class Question:
    """What a select asks: `name` stands in the page's address, `answers` are words by code."""

    name: str
    text: str
    answers: Mapping[str, str]


@dataclass(frozen=True)
class Choice:
    """Several ready sections, of which a page shows the one that its selects name.

    Without scripts, all of them are shown. `empty` is said where there is no section.
    """

    questions: tuple[Question, ...]
    sections: tuple[Section, ...]
    empty: str = "No course has been followed to its end yet."

    @property
    def selects(self) -> list[tuple[Question, list[tuple[str, str]]]]:
        """Each question with the answers for which there is a section, in its own order."""
        found = []
        for place, question in enumerate(self.questions):
            there = {section.answers[place] for section in self.sections}
            found.append(
                (
                    question,
                    [(code, text) for code, text in question.answers.items() if code in there],
                )
            )
        return found

    def address(self, section: Section) -> str:
        """What stands after # where the section is chosen."""
        return urlencode(
            [
                (question.name, answer)
                for question, answer in zip(self.questions, section.answers, strict=True)
            ]
        )

    def name(self, section: Section) -> str:
        """The section in words: its answers."""
        return "; ".join(
            question.answers[answer]
            for question, answer in zip(self.questions, section.answers, strict=True)
        )


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
    made.filters["in_css"] = in_css
    return made


def in_css(text: str) -> str:
    """Text for a string of a style sheet: what is no letter or digit stands there by its number."""
    return "".join(c if c.isalnum() else f"\\{ord(c):x} " for c in text)


def table(
    caption: str,
    headings: Sequence[str],
    rows: Iterable[Sequence[Value]],
    *,
    words_in: tuple[int, ...] = (0,),
    empty: str = "None.",
) -> Table:
    return Table(caption, tuple(headings), tuple(tuple(row) for row in rows), words_in, empty)
