"""A site's mapping: how the files that it exports become the contract's columns.

Everything in it is a name, a word or a choice from a list; nothing is evaluated.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Self, cast, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

from ingest.contract import (
    EYES,
    KINDS,
    MEASURES_BY_NAME,
    OUTCOMES,
    SINGLE_EYES,
    Kind,
    Level,
    Type,
)
from ingest.raw import folded
from pipeline.errors import WrongUse, as_sentence, suggestion
from pipeline.settings import fault_in_words, parse_toml

ENCODINGS = {
    "utf-8": "UTF-8",
    "utf-16": "UTF-16",
    "utf-16-le": "UTF-16",
    "utf-16-be": "UTF-16",
    "windows-1252": "Windows-1252",
}
DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs"}
OF_WIDE = ("eye", "measure", "value")  # told by the columns of a wide table
ISO_DATES = "yyyy-mm-dd"
DATE_PARTS = {"yyyy": "%Y", "mm": "%m", "dd": "%d"}
TIMES_OF_DAY = {"": "", " hh:mm": " %H:%M", " hh:mm:ss": " %H:%M:%S"}
DATES = re.compile(
    r"^(?P<day>(?:yyyy|mm|dd)[./ -]?(?:yyyy|mm|dd)[./ -]?(?:yyyy|mm|dd))(?P<time> hh:mm(?::ss)?)?$"
)


@dataclass(frozen=True)
class Unit:
    """A value of the contract's unit is (value - offset) * times / over."""

    times: int
    over: int = 1
    offset: int = 0


UNITS: dict[str, dict[str, Unit]] = {
    "C": {"celsius": Unit(1), "fahrenheit": Unit(5, 9, 32)},
    "min": {"minutes": Unit(1), "seconds": Unit(1, 60), "hours": Unit(60)},
    "s": {"seconds": Unit(1), "milliseconds": Unit(1, 1000), "minutes": Unit(60)},
    "min/day": {
        "minutes_a_day": Unit(1),
        "hours_a_day": Unit(60),
        "minutes_a_week": Unit(1, 7),
        "hours_a_week": Unit(60, 7),
    },
    "drops/day": {"drops_a_day": Unit(1), "drops_a_week": Unit(1, 7)},
}


def _dates(text: str) -> str:
    match = DATES.match(text)
    if not match or any(match["day"].count(part) != 1 for part in DATE_PARTS):
        raise ValueError(
            f"'{text}' is no order of a date; write it like dd.mm.yyyy, mm/dd/yyyy or "
            "yyyy-mm-dd hh:mm, with four digits for the year"
        )
    return text


def _listed(value: object) -> tuple[str, ...]:
    words = [value] if isinstance(value, str) else value
    if not isinstance(words, list | tuple) or not all(isinstance(w, str) and w for w in words):
        raise ValueError(f"must be text in quotes or a list of such, not {repr(value)[:60]}")
    return tuple(words)


def _named(words: tuple[str, ...]) -> tuple[str, ...]:
    if not words:
        raise ValueError("names no column")
    return words


Word = Annotated[str, Field(min_length=1)]
Words = Annotated[tuple[str, ...], BeforeValidator(_listed)]
Names = Annotated[Words, AfterValidator(_named)]
Codes = dict[str, dict[str, str]]  # column -> the clinic's word -> the contract's code


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Form(_Section):
    """How files are written; each setting may stand for the whole site or for one kind.

    What is not set must be unmistakable in the file, else the file is refused.
    """

    encoding: Literal["utf-8", "utf-16", "utf-16-le", "utf-16-be", "windows-1252"] | None = None
    delimiter: Literal[",", ";", "\t"] | None = None
    decimal: Literal[".", ","] | None = None
    dates: Annotated[str, AfterValidator(_dates)] | None = None
    sheet: Word | None = None
    header_row: int = Field(default=1, strict=True, ge=1, le=1000)
    yes: Words = ()
    no: Words = ()
    empty: Words = ()
    codes: Codes = {}


class WideColumn(_Section):
    """What a column of a wide table holds; the eye of a measure of the patient is `both`."""

    measure: str
    eye: str | None = None

    @model_validator(mode="after")
    def _is_a_measure_of_an_eye(self) -> Self:
        if self.measure not in MEASURES_BY_NAME:
            raise ValueError(
                f"'{self.measure}' is no measure; {suggestion(self.measure, MEASURES_BY_NAME)}"
            )
        of_patient = MEASURES_BY_NAME[self.measure].level is Level.PATIENT
        eyes = EYES[-1:] if of_patient else SINGLE_EYES
        if self.eye is None and not of_patient:
            raise ValueError(f"{self.measure} is of one eye; say eye = 'right' or eye = 'left'")
        if self.eye is not None and self.eye not in eyes:
            raise ValueError(f"{self.measure} has no eye '{self.eye}'; known are {', '.join(eyes)}")
        return self

    @property
    def of_eye(self) -> str:
        return self.eye or EYES[-1]


class SkipRule(_Section):
    """Rows to leave out: those whose cell in a column (none named: whose first cell) is as told."""

    column: Word | None = None
    equals: Words = ()
    begins_with: Words = ()
    is_empty: bool = False

    @model_validator(mode="after")
    def _tells_one_thing(self) -> Self:
        if bool(self.equals) + bool(self.begins_with) + self.is_empty != 1:
            raise ValueError("a skip rule says one of equals, begins_with and is_empty = true")
        return self


class KindMapping(Form):
    """How one kind of a site's files is read; without any setting, as the contract says."""

    columns: dict[str, Names] = {}  # the contract's column -> the file's, joined if several
    units: dict[str, str] = {}
    wide: dict[Word, WideColumn] = {}  # the file's column -> what it holds
    default_eye: str | None = None
    skip: tuple[SkipRule, ...] = ()

    def __hash__(self) -> int:
        return hash(self.model_dump_json())

    @property
    def has_time(self) -> bool:
        """Whether dates come with a time of day, which is left out."""
        return ":" in (self.dates or "")

    @property
    def strptime(self) -> str | None:
        """The order of dates as the parser takes it; None where it is the contract's."""
        match = DATES.match(self.dates or ISO_DATES)
        if match is None or self.dates in (None, ISO_DATES):
            return None
        day = re.sub("yyyy|mm|dd", lambda part: DATE_PARTS[part[0]], match["day"])
        return day + TIMES_OF_DAY[match["time"] or ""]


class SiteMapping(Form):
    """A whole mapping file: settings for all kinds, then a section for each kind that needs one."""

    visits: KindMapping = KindMapping()
    sessions: KindMapping = KindMapping()
    outcomes: KindMapping = KindMapping()
    patients: KindMapping = KindMapping()
    plans: KindMapping = KindMapping()
    treatments: KindMapping = KindMapping()
    adverse_events: KindMapping = KindMapping()
    temperatures: KindMapping = KindMapping()

    def of(self, kind: Kind) -> KindMapping:
        """All that holds for a kind's files: its own section over what the site says for all."""
        own: KindMapping = getattr(self, kind.name)
        for_all = {
            name: getattr(self, name)
            for name in Form.model_fields
            if name not in own.model_fields_set
        }
        return own.model_copy(update=for_all | {"codes": self.codes | own.codes})

    @model_validator(mode="after")
    def _is_sound(self) -> Self:
        for fault in (*_faults_of_codes(self.codes, KINDS), *_contradictions(self)):
            raise ValueError(fault)
        for kind in KINDS:
            for fault in _faults(getattr(self, kind.name), kind):
                raise ValueError(f"{kind.name}.{fault}")
            for fault in _contradictions(self.of(kind)):
                raise ValueError(f"{kind.name}: {fault}")
        return self


def parse_mapping(content: bytes, path: Path) -> SiteMapping:
    """A mapping file's content, checked; no content is the contract as it is.

    Raises:
        WrongUse: it is no TOML, has an unknown key, or contradicts itself; `path` is only named.
    """
    try:
        return SiteMapping.model_validate(parse_toml(content))
    except UnicodeDecodeError as error:
        fault = f"it is not UTF-8 text (byte {error.start + 1})"
    except ValidationError as error:
        fault = fault_in_words(error.errors()[0], _section_at)
    except ValueError as error:
        fault = f"it is no TOML: {error}"
    raise WrongUse(as_sentence(f"{path}: {fault}"), "Correct it and run again.")


def _faults_of_codes(given: Codes, kinds: tuple[Kind, ...]) -> Iterator[str]:
    """Words that stand for no code of any column of the name; a protocol's are group.toml's."""
    coded: dict[str, set[str]] = {}
    for column in (column for kind in kinds for column in kind.columns):
        if column.type in (Type.CODE, Type.PROTOCOL):
            coded.setdefault(column.name, set()).update(column.codes)
    yield from _misnamed("codes", given, set(coded))
    for name, words in given.items():
        for word, code in words.items():
            known = sorted(coded.get(name, ()))
            if known and code not in known:
                yield f"codes.{name}: '{word}' stands for '{code}'; {suggestion(code, known)}"


def _misnamed(section: str, given: Mapping[str, object], known: set[str]) -> Iterator[str]:
    for name in given:
        if name not in known:
            yield f"{section}.{name} is for no column; {suggestion(name, sorted(known))}"


def _contradictions(form: Form) -> Iterator[str]:
    """What cannot hold together, whichever section each came from."""
    if form.decimal == "," and form.delimiter == ",":
        yield "decimal and delimiter are both ','; one mark cannot be both"
    if word := _given_twice([*form.yes, *form.no, *form.empty]):
        yield f"the word '{word}' stands twice among yes, no and empty"
    for column, words in form.codes.items():
        if word := _given_twice([*words, *form.empty]):
            yield f"codes.{column} and empty give the word '{word}' twice"


def _given_twice(words: list[str]) -> str | None:
    seen: set[str] = set()
    for word in words:
        if folded(word) in seen:
            return word
        seen.add(folded(word))
    return None


def _faults(own: KindMapping, kind: Kind) -> Iterator[str]:
    """What is wrong with a kind's own section."""
    columns = {column.name: column for column in kind.columns}
    units = {name for name, column in columns.items() if column.unit in UNITS}
    yield from _misnamed("columns", own.columns, set(columns))
    yield from _misnamed("units", own.units, units)
    yield from _faults_of_codes(own.codes, (kind,))
    for name, unit in own.units.items():
        known = UNITS[columns[name].unit or ""]
        if unit not in known:
            yield f"units.{name}: '{unit}' is no unit for it; {suggestion(unit, known)}"
    if own.default_eye is not None:
        eyes = columns["eye"].codes if "eye" in columns else ()
        if own.default_eye not in eyes:
            told = suggestion(own.default_eye, eyes) if eyes else "the kind has no eye"
            yield f"default_eye: '{own.default_eye}' is none of its eyes; {told}"
    if own.wide:
        yield from _faults_of_wide(own, kind)


def _faults_of_wide(own: KindMapping, kind: Kind) -> Iterator[str]:
    if kind is not OUTCOMES:
        yield "wide: only outcomes can be a wide table"
    if "outcome_id" not in own.columns:
        yield "columns.outcome_id is missing: of a wide table, it names what tells its rows apart"
    for name in OF_WIDE:
        if name in own.columns:
            yield f"columns.{name} contradicts wide, whose columns tell the {name}"
    if own.default_eye is not None:
        yield "default_eye contradicts wide, whose columns tell the eye"
    seen: dict[tuple[str, str], str] = {}
    names: set[str] = set()
    for name, column in own.wide.items():
        told = (column.measure, column.of_eye)
        if told in seen:
            yield f"wide: '{seen[told]}' and '{name}' are both {column.measure} of {column.of_eye}"
        if folded(name) in names:
            yield f"wide names the column '{name}' twice"
        seen[told] = name
        names.add(folded(name))


def _section_at(location: tuple[int | str, ...]) -> type[BaseModel]:
    """The section that a place in a mapping lies in."""
    section: Any = SiteMapping
    for part in location:
        if isinstance(section, type) and issubclass(section, BaseModel):
            section = section.model_fields[str(part)].annotation
        elif arguments := [a for a in get_args(section) if a is not Ellipsis]:
            section = arguments[-1]
    if arguments := [a for a in get_args(section) if a is not Ellipsis]:
        section = arguments[-1]
    return cast(type[BaseModel], section)


AS_CONTRACT = KindMapping()
