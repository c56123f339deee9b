"""The screen for identifiers: a file that seems to hold any is refused before a row is kept."""

import re
import unicodedata
from enum import Enum, auto
from functools import cache

import polars as pl

from ingest.contract import Kind, Type
from ingest.identifier_shapes import (
    BIRTH_DAY,
    CHECKED_NUMBERS,
    DAY,
    DIALLED_AT_HOME,
    EVIDENT,
    EVIDENT_BUT_IN_IDS,
    INSURANCE_NUMBER,
    NAME_WORDS,
    NAMED_THINGS,
    NO_PERSON,
    PERSON,
    POSTCODE,
    SUSPECT,
    CheckedNumber,
)
from ingest.raw import Block, UnusableFileError
from ingest.tables import Table

WORD = re.compile(r"[^\W\d_]+")
BETWEEN_GROUPS = r"[ -]"
LONGEST_TEXT = 80  # characters
ENOUGH = 6  # different values, before a column is judged by what most of them look like
JUDGED_BY = 500  # different values; a column that holds numbers of persons shows it among them
FILLED = 0.1  # of a file's rows, before days that are old count as days of birth
UNALIKE = 4  # different beginnings, which a clinic's own numbers share
NEARLY_ALL = 0.8  # one in ten numbers passes a check digit by chance
FREE_TEXT = f"text longer than {LONGEST_TEXT} characters"


class _Place(Enum):
    """Where values stand, which decides how much of a likeness is needed."""

    OWN_IDS = auto()  # a clinic's own numbers and codes, which may look like anything
    TYPED = auto()  # a day, a number or a code of the contract
    UNKNOWN = auto()  # a column that the contract doesn't know


def screen(block: Block, kind: Kind) -> None:
    """Refuse a file that seems to hold identifiers.

    Judged are the names of columns that the contract doesn't know, and every value. What only an
    identifier looks like refuses the file once it occurs. A number that agrees with its check
    digit by chance, as a clinic's own may, does so only where nearly all of a column's do; names
    of persons and birth dates, where most values of a column are. A column of days
    of the contract that hardly any row fills is not judged: slips of the pen, which are not kept.

    Raises:
        UnusableFileError: telling the column and what it looks like, never a value.
    """
    for name, _ in block.others:
        _screen_name(name)
    looks = block.table.looked_at(_looks(kind))
    for column in kind.columns:
        where = f"The column {column.name}"
        if looks[f"suspect.{column.name}"]:
            own = column.type in (Type.KEY, Type.CLINIC_CODE)
            place = _Place.OWN_IDS if own else _Place.TYPED
            _screen_values(block.table.values(column.name), where, place)
            if own:
                _screen_persons(block.table.column(column.name), where)
        if looks.get(f"birth_days.{column.name}"):
            values = block.table.column(column.name)
            if values.count() >= FILLED * values.len():
                _screen_days(values, where, ENOUGH)
    for position, (_, values) in enumerate(block.others, start=1):
        where = f"Column {position} of those that the contract does not know"
        _screen_values(values, where, _Place.UNKNOWN)
        _screen_persons(values, where)
        _screen_days(values, where, 1)
        _screen_likenesses(values, where)


def is_unsuspected(table: Table, kind: Kind) -> bool:
    """Whether a quick look at the contract's columns is enough, for any of the rows as for all."""
    return not any(table.looked_at(_looks(kind)).values())


@cache
def _looks(kind: Kind) -> tuple[pl.Expr, ...]:
    """A quick look at all columns at once, after which few need a closer one."""
    suspects = (
        pl.col(column.name).str.contains(SUSPECT).any().alias(f"suspect.{column.name}")
        for column in kind.columns
    )
    birth_days = (
        pl.col(column.name).str.contains(BIRTH_DAY).any().alias(f"birth_days.{column.name}")
        for column in kind.columns
        if column.type is Type.DATE
    )
    return (*suspects, *birth_days)


def _screen_name(name: str) -> None:
    _screen_values(pl.Series([name]), "The header", _Place.UNKNOWN)
    plain = unicodedata.normalize("NFKD", name.lower())
    parts = WORD.findall("".join(c for c in plain if not unicodedata.combining(c)))
    words = set(parts) | {"".join(parts)}
    if words & NAMED_THINGS:
        words -= {"name"}
    for what, known in NAME_WORDS.items():
        if words & known:
            raise UnusableFileError(
                f"The column '{name[:40]}' is named like {what}; leave it out and export again."
            )


def _screen_values(values: pl.Series, where: str, place: _Place) -> None:
    """Refuse what one value is enough for, and check digits that agree."""
    texts = values.filter(values.str.contains(SUSPECT)).unique(maintain_order=True)
    if texts.is_empty():
        return
    shapes = list(EVIDENT.items())
    if place is not _Place.OWN_IDS:
        shapes += EVIDENT_BUT_IN_IDS.items()
    are_numbers = _any_like(texts, [number.pattern for number in CHECKED_NUMBERS])
    for number, are_there in zip(CHECKED_NUMBERS, are_numbers, strict=True):
        if are_there and _holds(number, texts, place):
            raise _shaped_like(number.shape, where)
    are_shapes = _any_like(texts, [pattern for _, pattern in shapes])
    for (shape, _), is_there in zip(shapes, are_shapes, strict=True):
        if is_there:
            raise _shaped_like(shape, where)
    if ((texts.str.len_chars() > LONGEST_TEXT) & texts.str.contains(r"\s")).any():
        raise UnusableFileError(f"{where} holds {FREE_TEXT}; leave it out and export again.")


def _any_like(texts: pl.Series, patterns: list[str]) -> tuple[bool, ...]:
    """For each pattern, whether any text has it; all at once, as each look costs a start."""
    looks = [pl.col("text").str.contains(p).any() for p in patterns]
    named = [look.alias(str(number)) for number, look in enumerate(looks)]
    return texts.to_frame("text").select(named).row(0)


def _holds(number: CheckedNumber, texts: pl.Series, place: _Place) -> bool:
    """Whether values hold a kind of number whose check digits agree."""
    runs = texts.filter(texts.str.contains(f"^{number.run}$"))
    grouped = texts.str.extract(f"({number.grouped})").drop_nulls()
    grouped = grouped.str.replace_all(BETWEEN_GROUPS, "")
    grouped = grouped.filter(grouped.str.contains(f"^{number.run}$"))
    match place:
        case _Place.OWN_IDS:
            return _nearly_all_agree(number, runs) or _nearly_all_agree(number, grouped)
        case _Place.UNKNOWN:
            return _one_agrees(number, grouped) or _nearly_all_agree(number, runs)
        case _Place.TYPED:
            return _one_agrees(number, grouped) or _one_agrees(number, runs)


def _one_agrees(number: CheckedNumber, candidates: pl.Series) -> bool:
    return any(number.agrees(candidate) for candidate in candidates)


def _nearly_all_agree(number: CheckedNumber, candidates: pl.Series) -> bool:
    judged = candidates.head(JUDGED_BY)
    agreeing = sum(number.agrees(candidate) for candidate in judged)
    return judged.len() >= ENOUGH and agreeing >= NEARLY_ALL * judged.len()


def _screen_persons(values: pl.Series, where: str) -> None:
    if _mostly(values, PERSON) and not _mostly(values, NO_PERSON):
        raise _shaped_like("names of persons", where)


def _screen_days(values: pl.Series, where: str, enough: int) -> None:
    """Refuse a column of which most days lie before 2000: an export's own come after."""
    if _mostly(values, BIRTH_DAY) and _mostly(values, DAY) and values.n_unique() >= enough:
        raise _shaped_like("birth dates", where)


def _screen_likenesses(values: pl.Series, where: str) -> None:
    """Refuse a column most of whose many values look like what a code may look like too."""
    different = values.drop_nulls().unique()
    if different.len() < ENOUGH:
        return
    shapes = {"postal addresses": POSTCODE, "phone numbers": DIALLED_AT_HOME}
    for shape, pattern in shapes.items():
        if _mostly(different, pattern):
            raise _shaped_like(shape, where)
    if _mostly(different, INSURANCE_NUMBER) and different.str.head(2).n_unique() >= UNALIKE:
        raise _shaped_like("insurance numbers", where)


def _shaped_like(shape: str, where: str) -> UnusableFileError:
    return UnusableFileError(
        f"{where} holds values shaped like {shape}; leave it out and export again."
    )


def _mostly(values: pl.Series, pattern: str) -> bool:
    filled = values.drop_nulls()
    return 2 * int(filled.str.contains(pattern).sum()) > filled.len()
