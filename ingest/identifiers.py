"""The screen for identifiers: a file that seems to hold any is refused before a row is kept."""

import re

import polars as pl

from ingest.contract import Kind, Type
from ingest.raw import Block, UnusableFileError

NAME_WORDS = {
    "a name": {"name", "firstname", "lastname", "surname", "forename", "fullname", "initials",
               "givenname", "familyname", "patientname"},
    "a birth date": {"dob", "birth", "birthdate", "dateofbirth", "birthday", "born"},
    "a phone number": {"phone", "telephone", "tel", "mobile", "cell", "fax"},
    "a mail address": {"email", "mail"},
    "an address": {"address", "street", "postcode", "postal", "zip", "zipcode", "city", "town"},
    "a record number": {"mrn", "record", "chart", "ssn", "passport", "licence", "license"},
    "an insurance number": {"insurance", "policy", "insurer", "subscriber", "member"},
}  # fmt: skip
WORD = re.compile(r"[a-z]+")

MAIL = r"^[^\s@]+@[^\s@]+\.[A-Za-z]{2,}$"
ABROAD = r"\+\d{1,3}[ (-][\d ().-]{6,}\d|\+\d{10,15}|\+\d{1,3}(?:\.\d{2,4}){2,}"  # no signed number
PHONE = rf"^(?:{ABROAD}|\(0?\d{{2,4}}\) ?\d[\d -]{{4,}}\d|\d{{3}}[ .-]\d{{3}}[ .-]\d{{4}})$"
NATIONAL_NUMBER = r"^\d{3}-\d{2}-\d{4}$"
PERSON = r"^\p{Lu}\p{Ll}+,? (?:\p{Lu}\.? )?\p{Lu}\p{Ll}+$"
SUSPECT = (
    r"@|^(?:[+(]|\d{3}[ .-]\d{2,3}[ .-]\d|\p{Lu}\p{Ll}+,? \p{Lu})"  # every shape above has this
)
DAY = r"^(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4})(?:[ T].*)?$"
YEAR = r"(\d{4})"
LAST_BIRTH_YEAR = 1999  # an export's own dates come after it


def screen(block: Block, kind: Kind) -> None:
    """Refuse a file that seems to hold identifiers.

    Judged are the names of columns that the contract doesn't know, and every value. Names of
    persons and birth dates are looked for where any text may stand.

    Raises:
        UnusableFileError: telling the column and what it looks like, never a value.
    """
    for name, _ in block.others:
        _screen_name(name)
    cells = [column.name for column in kind.columns]
    suspects = block.rows.select(pl.col(cells).str.contains(SUSPECT).any())  # quick, and rarely so
    for column in kind.columns:
        if suspects[column.name][0]:
            where = f"The column {column.name}"
            _screen_values(block.rows[column.name], where)
            if column.type in (Type.KEY, Type.CLINIC_CODE):
                _screen_persons(block.rows[column.name], where)
    for position, (_, values) in enumerate(block.others, start=1):
        where = f"Column {position} of those that the contract does not know"
        _screen_values(values, where)
        _screen_persons(values, where)
        if _mostly(values, DAY) and _mostly_years_of_birth(values):
            raise _shaped_like("birth dates", where)


def _screen_name(name: str) -> None:
    _screen_values(pl.Series([name]), "The header")
    words = set(WORD.findall(name)) | {"".join(WORD.findall(name))}
    for what, known in NAME_WORDS.items():
        if words & known:
            raise UnusableFileError(
                f"The column '{name[:40]}' is named like {what}; leave it out and export again."
            )


def _screen_values(values: pl.Series, where: str) -> None:
    shapes = {"mail addresses": MAIL, "phone numbers": PHONE, "national numbers": NATIONAL_NUMBER}
    for shape, pattern in shapes.items():
        if values.str.contains(pattern).any():
            raise _shaped_like(shape, where)


def _screen_persons(values: pl.Series, where: str) -> None:
    if _mostly(values, PERSON):
        raise _shaped_like("names of persons", where)


def _shaped_like(shape: str, where: str) -> UnusableFileError:
    return UnusableFileError(
        f"{where} holds values shaped like {shape}; leave it out and export again."
    )


def _mostly(values: pl.Series, pattern: str) -> bool:
    filled = values.drop_nulls()
    return 2 * int(filled.str.contains(pattern).sum()) > filled.len()


def _mostly_years_of_birth(values: pl.Series) -> bool:
    years = values.str.extract(YEAR).cast(pl.Int64, strict=False).drop_nulls()
    return 2 * int((years <= LAST_BIRTH_YEAR).sum()) > years.len()
