"""group.toml as typed settings: every number a definition uses, with its default."""

import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime
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

from pipeline.errors import WrongUse, as_sentence, suggestion

RESERVED_CODES = frozenset({"all", "unknown", "none"})  # `none` names the empty inputs' folders
EXAMPLE_SETTINGS = Path(__file__).with_name("example_group.toml")
MOST_USED = "most_used"
LATEST = "latest"
MOST_TOML_BYTES = 1 << 20  # of group.toml or a mapping
MOST_DOTS = 100  # in a line: a name of many parts costs the square of their number to read
SHOWN_AT_MOST = 60  # characters of a wrong value
CODE_PATTERN = r"^[a-z][a-z0-9_]{0,39}$"
MASTER = re.compile(r"local(\[(\*|[1-9]\d*)\])?|(spark|k8s)://.+|yarn")
MAY_BE_LEFT_OUT = ("age_years", "sex", "diagnosis", "operator", "device")  # no figure needs them


def _day(value: object) -> date:
    """A TOML date, or the same in quotes; never a number or a time of day."""
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    try:
        return datetime.strptime(str(value), "%Y-%m-%d").date()
    except ValueError:
        raise ValueError(f"{_shown(value)} is no date like 2025-06-30") from None


def _as_of(value: object) -> date | str:
    return LATEST if value == LATEST else _day(value)


def _left_out(value: object) -> tuple[str, ...]:
    known = ", ".join(MAY_BE_LEFT_OUT)
    if not isinstance(value, list | tuple):
        raise ValueError(f'must be a list of columns like ["sex"], not {_shown(value)}')
    for name in value:
        if name not in MAY_BE_LEFT_OUT:
            raise ValueError(f"{_shown(name)} cannot be left out; those that can are {known}")
    return tuple(value)


def _ordered(window: tuple[float, float]) -> tuple[float, float]:
    if window[0] > window[1]:
        raise ValueError(f"the lower end {window[0]} is above the upper end {window[1]}")
    return window


def _master(name: str) -> str:
    if not MASTER.fullmatch(name):
        raise ValueError(
            f"{_shown(name)} is nothing that Spark runs on; use local[2], spark://host:port, "
            "k8s://address or yarn"
        )
    return name


EngineName = Literal["duckdb", "spark"]
ENGINES: tuple[str, ...] = get_args(EngineName)
Code = Annotated[str, Field(pattern=CODE_PATTERN)]
Day = Annotated[date, BeforeValidator(_day)]
Days = Annotated[int, Field(strict=True, ge=0, le=3650)]
Celsius = Annotated[float, Field(strict=True, ge=30, le=60)]
Minutes = Annotated[float, Field(strict=True, ge=0, le=60)]
Window = AfterValidator(_ordered)


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Group(_Section):
    name: str = "Unnamed group"
    invented: bool = Field(default=False, strict=True)  # every page says so
    as_of: Annotated[date | Literal["latest"], BeforeValidator(_as_of)] = "latest"
    reference_protocol: str = MOST_USED


class Numbers(_Section):
    """The definitions' numbers; days unless the name says otherwise."""

    course_gap_days: Days = 120
    baseline_days: Days = 90
    settle_days: Days = 14
    target_day: Days = 60
    followup_days: Days = 120
    test_retest_osdi: float = Field(
        default=0.82, strict=True, ge=0, le=1
    )  # from memory, Schiffman 2000

    @model_validator(mode="after")
    def _windows_agree(self) -> Self:
        if self.followup_days > self.course_gap_days:
            raise ValueError(
                f"followup_days = {self.followup_days} exceeds "
                f"course_gap_days = {self.course_gap_days}"
            )
        if not self.settle_days <= self.target_day <= self.followup_days:
            raise ValueError(
                f"target_day = {self.target_day} lies outside settle_days = {self.settle_days} "
                f"to followup_days = {self.followup_days}"
            )
        return self


class Privacy(_Section):
    """`leave_out` names columns of exports whose values are not taken in."""

    hide_counts_below: int = Field(default=11, strict=True, ge=1, le=1000)
    leave_out: Annotated[tuple[str, ...], BeforeValidator(_left_out)] = ()


class Limits(_Section):
    """Of one file of an export; what is beyond them is refused whole."""

    file_mb: int = Field(default=16_384, strict=True, ge=1, le=16_384)
    rows: int = Field(default=500_000_000, strict=True, ge=1, le=500_000_000)
    columns: int = Field(default=2_000, strict=True, ge=1, le=2_000)


NO_LOWER = Limits()


class Engine(_Section):
    """What works the courses and cohorts out; `master` is Spark's alone."""

    name: EngineName = "duckdb"
    master: Annotated[str, Field(strict=True), AfterValidator(_master)] = "local[2]"


class Releases(_Section):
    keep: int = Field(default=12, strict=True, ge=1, le=1000)


class Site(_Section):
    code: Code
    label: str = ""
    exports: Literal["changes", "full"] = "changes"


class Protocol(_Section):
    """A way of giving a course; temperatures in degrees Celsius, heating in minutes an eye."""

    code: Code
    label: str = ""
    sessions_planned: int = Field(strict=True, ge=1, le=20)
    spacing_days: Annotated[tuple[Days, Days], Window] = (10, 21)
    ceiling_c: Celsius = 45.0
    # common practice, no source: the three windows
    band_c: Annotated[tuple[Celsius, Celsius], Window] = (40.0, 43.0)
    minutes: Annotated[tuple[Minutes, Minutes], Window] = (5, 7)
    maintenance_days: Annotated[tuple[Days, Days], Window] = (180, 365)
    price: float = Field(default=0, strict=True, ge=0)

    @model_validator(mode="after")
    def _band_is_below_the_ceiling(self) -> Self:
        if self.band_c[1] > self.ceiling_c:
            raise ValueError(f"band_c ends at {self.band_c[1]}, above ceiling_c = {self.ceiling_c}")
        return self


class SettledHarm(_Section):
    """Somebody's decision on a harm that was refused, lowered or withdrawn."""

    site: Code
    harm: str = Field(min_length=1)
    decision: str = Field(min_length=1)
    decided_on: Day


class Settings(_Section):
    group: Group = Group()
    numbers: Numbers = Numbers()
    privacy: Privacy = Privacy()
    limits: Limits = Limits()
    engine: Engine = Engine()
    releases: Releases = Releases()
    site: tuple[Site, ...] = ()
    protocol: tuple[Protocol, ...] = ()
    settled_harm: tuple[SettledHarm, ...] = ()

    @model_validator(mode="after")
    def _sections_agree(self) -> Self:
        _check_codes("site", self.site_codes, RESERVED_CODES)
        _check_codes("protocol", self.protocol_codes, RESERVED_CODES | {MOST_USED})
        reference = self.group.reference_protocol
        if reference not in (MOST_USED, *self.protocol_codes):
            raise ValueError(
                f"group.reference_protocol = '{reference}' is no protocol's code; "
                f"{suggestion(reference, (MOST_USED, *self.protocol_codes))}"
            )
        for protocol in self.protocol:
            if protocol.spacing_days[1] > self.numbers.course_gap_days:
                raise ValueError(
                    f"protocol '{protocol.code}' spaces its sessions up to "
                    f"{protocol.spacing_days[1]} days, more than "
                    f"course_gap_days = {self.numbers.course_gap_days}, so each would open a course"
                )
        for number, settled in enumerate(self.settled_harm, start=1):
            if settled.site not in self.site_codes:
                raise ValueError(
                    f"settled_harm #{number} names the site '{settled.site}', which is no site's "
                    f"code; {suggestion(settled.site, self.site_codes)}"
                )
        harms = [f"{settled.harm}' of site '{settled.site}" for settled in self.settled_harm]
        if repeated := _first_repeated(harms):
            raise ValueError(f"settled_harm settles '{repeated}' twice")
        return self

    @property
    def site_codes(self) -> tuple[str, ...]:
        return tuple(site.code for site in self.site)

    @property
    def protocol_codes(self) -> tuple[str, ...]:
        return tuple(protocol.code for protocol in self.protocol)


def parse_toml(content: bytes) -> dict[str, Any]:
    """TOML, unless it would take a machine's memory or time to read.

    Raises:
        UnicodeDecodeError: it is not UTF-8.
        ValueError: what else is wrong with it, in words that follow a file's name.
    """
    if len(content) > MOST_TOML_BYTES:
        raise ValueError(f"it is longer than {MOST_TOML_BYTES:,} bytes")
    text = content.decode("utf-8-sig")
    for number, line in enumerate(text.splitlines(), start=1):
        if line.count(".") > MOST_DOTS:
            raise ValueError(f"line {number} has more than {MOST_DOTS} dots")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None


def read_at_most(path: Path, limit: int = MOST_TOML_BYTES) -> bytes:
    """A file's bytes; of a longer one so many that it is seen to be too long."""
    with path.open("rb") as file:
        return file.read(limit + 1)


def read_settings(path: Path) -> Settings:
    """Read and check group.toml.

    Raises:
        WrongUse: the file is missing, is no TOML, has an unknown key, or contradicts itself.
    """
    try:
        content = parse_toml(read_at_most(path))
    except FileNotFoundError:
        raise WrongUse(
            f"{path} does not exist.",
            f"Make it with `lidcohort new {path.parent}`, which changes nothing that is there, or "
            "name another folder with --workspace.",
        ) from None
    except UnicodeDecodeError as error:
        raise WrongUse(
            f"{path} is not UTF-8 text (byte {error.start + 1}).", "Save it as UTF-8 and run again."
        ) from None
    except (OSError, ValueError) as error:
        raise WrongUse(f"{path} cannot be read: {error}.", "Correct it and run again.") from None
    try:
        return Settings.model_validate(content)
    except ValidationError as error:
        faults = error.errors()
        more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
        raise WrongUse(
            as_sentence(f"{path}: {fault_in_words(faults[0], _section_at)}{more}"),
            "Correct it and run again.",
        ) from None


def _check_codes(section: str, codes: tuple[str, ...], reserved: frozenset[str]) -> None:
    if not codes:
        raise ValueError(f"no [[{section}]] is given, and at least one is needed")
    for code in codes:
        if code in reserved:
            raise ValueError(f"{section} code '{code}' is reserved")
    if repeated := _first_repeated(codes):
        raise ValueError(f"{section} code '{repeated}' is given twice")


def _first_repeated(values: Iterable[str]) -> str | None:
    seen: set[str] = set()
    for value in values:
        if value in seen:
            return value
        seen.add(value)
    return None


def fault_in_words(
    fault: Mapping[str, Any], section_at: Callable[[tuple[int | str, ...]], type[BaseModel]]
) -> str:
    """One fault in one line: where in the file, what is wrong, what was meant or allowed."""
    location, given, limits = fault["loc"], fault["input"], fault.get("ctx", {})
    where = _place(tuple(part if isinstance(part, int) else _cut(part) for part in location))
    match fault["type"]:
        case "extra_forbidden":
            known = section_at(location[:-1]).model_fields
            return f"unknown key {where}; {suggestion(_cut(str(location[-1])), known)}"
        case "missing" | "too_long" if isinstance(given, list):
            return f"{where}: must hold two numbers, the lower and the upper end"
        case "missing":
            return f"{where} is missing"
        case "tuple_type" if len(location) == 1:
            return f"{where}: must be written as [[{where}]], not as {_shown(given)}"
        case "tuple_type":
            return f"{where}: must be a list of two numbers like [10, 21], not {_shown(given)}"
        case "model_type":
            section = f"[{location[0]}]" if len(location) == 1 else f"[[{location[0]}]]"
            return f"{where}: must be a section {section}, not {_shown(given)}"
        case "int_type" | "float_type":
            kind = "whole number" if fault["type"] == "int_type" else "number"
            return f"{where}: must be a {kind}, not {_shown(given)}"
        case "bool_type":
            return f"{where}: must be true or false, not {_shown(given)}"
        case "string_type":
            return f"{where}: must be text in quotes, not {_shown(given)}"
        case "string_too_short":
            return f"{where}: must not be empty"
        case "string_pattern_mismatch":
            return (
                f"{where}: {_shown(given)} is no code; use up to 40 lower-case letters, digits "
                "and _, a letter first"
            )
        case "finite_number":
            return f"{where}: must be a finite number, not {_shown(given)}"
        case "literal_error":
            return f"{where}: must be {limits['expected']}, not {_shown(given)}"
        case "greater_than_equal":
            return f"{where}: must be at least {limits['ge']}, not {_shown(given)}"
        case "less_than_equal":
            return f"{where}: must be at most {limits['le']}, not {_shown(given)}"
        case _:
            message = str(limits.get("error", fault["msg"]))
            return f"{where}: {message}" if where else message


def _place(location: tuple[int | str, ...]) -> str:
    """`protocol #2.spacing_days` for ('protocol', 1, 'spacing_days')."""
    place = ""
    for part in location:
        place += f" #{part + 1}" if isinstance(part, int) else f".{part}" if place else str(part)
    return place


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a single section"
    text = _cut(str(value))
    return f"'{text}'" if isinstance(value, str) else text


def _cut(text: str) -> str:
    return f"{text[:SHOWN_AT_MOST]}..." if len(text) > SHOWN_AT_MOST else text


def _section_at(location: tuple[int | str, ...]) -> type[_Section]:
    section: Any = Settings
    for key in (part for part in location if isinstance(part, str)):
        annotation = section.model_fields[key].annotation
        section = next(iter(get_args(annotation)), annotation)
    return cast(type[_Section], section)
