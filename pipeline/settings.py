"""group.toml as typed settings: every number a definition uses, with its default."""

import difflib
import tomllib
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from pipeline.errors import WrongUse

RESERVED_CODES = frozenset({"all", "unknown"})
Code = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
Days = Annotated[int, Field(ge=0, le=3650)]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


def _ordered(window: tuple[float, float]) -> tuple[float, float]:
    if window[0] > window[1]:
        raise ValueError(f"the lower end {window[0]} is above the upper end {window[1]}")
    return window


class Group(_Section):
    name: str = "Unnamed group"
    as_of: date | Literal["latest"] = "latest"
    reference_protocol: str = "most_used"


class Numbers(_Section):
    """The definitions' numbers; days unless the name says otherwise."""

    course_gap_days: Days = 120
    baseline_days: Days = 90
    settle_days: Days = 14
    target_day: Days = 60
    followup_days: Days = 120
    test_retest_osdi: float = Field(default=0.82, ge=0, le=1)  # from memory, Schiffman 2000

    @model_validator(mode="after")
    def _windows_agree(self) -> Self:
        if self.followup_days > self.course_gap_days:
            raise ValueError(
                f"followup_days = {self.followup_days} exceeds "
                f"course_gap_days = {self.course_gap_days}"
            )
        if not self.settle_days <= self.target_day <= self.followup_days:
            raise ValueError("settle_days <= target_day <= followup_days does not hold")
        return self


class Privacy(_Section):
    hide_counts_below: int = Field(default=11, ge=1, le=1000)


class Releases(_Section):
    keep: int = Field(default=12, ge=1, le=1000)


class Site(_Section):
    code: Code
    label: str = ""
    exports: Literal["changes", "full"] = "changes"


class Protocol(_Section):
    """A way of giving a course; temperatures in degrees Celsius, heating in minutes an eye."""

    code: Code
    label: str = ""
    sessions_planned: int = Field(ge=1, le=20)
    spacing_days: tuple[int, int] = (10, 21)
    band_c: tuple[float, float] = (40.0, 43.0)  # common practice, no source
    ceiling_c: float = Field(default=45.0, ge=30, le=60)
    minutes: tuple[float, float] = (5, 7)  # common practice, no source
    maintenance_days: tuple[int, int] = (180, 365)  # common practice, no source
    price: float = Field(default=0, ge=0)

    _check_windows = field_validator("spacing_days", "band_c", "minutes", "maintenance_days")(
        _ordered
    )


class SettledHarm(_Section):
    """Somebody's decision on a harm that was refused, lowered or withdrawn."""

    site: Code
    harm: str
    decision: str
    decided_on: date


class Settings(_Section):
    group: Group = Group()
    numbers: Numbers = Numbers()
    privacy: Privacy = Privacy()
    releases: Releases = Releases()
    site: tuple[Site, ...] = Field(min_length=1)
    protocol: tuple[Protocol, ...] = Field(min_length=1)
    settled_harm: tuple[SettledHarm, ...] = ()

    @model_validator(mode="after")
    def _codes_are_usable(self) -> Self:
        for section, codes in (("site", self.site_codes), ("protocol", self.protocol_codes)):
            for code in codes:
                if code in RESERVED_CODES:
                    raise ValueError(f"{section} code '{code}' is reserved")
                if codes.count(code) > 1:
                    raise ValueError(f"{section} code '{code}' is given twice")
        reference = self.group.reference_protocol
        if reference not in ("most_used", *self.protocol_codes):
            raise ValueError(f"reference_protocol '{reference}' is no protocol's code")
        return self

    @property
    def site_codes(self) -> tuple[str, ...]:
        return tuple(site.code for site in self.site)

    @property
    def protocol_codes(self) -> tuple[str, ...]:
        return tuple(protocol.code for protocol in self.protocol)


def read_settings(path: Path) -> Settings:
    """Read and check group.toml.

    Raises:
        WrongUse: the file is missing, is no TOML, has an unknown key, or contradicts itself.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise WrongUse(
            f"{path} does not exist.",
            f"Make a workspace with `lidcohort new {path.parent}`, or name one with --workspace.",
        ) from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise WrongUse(f"{path} cannot be read: {error}.", "Correct it and run again.") from None
    try:
        return Settings.model_validate(content)
    except ValidationError as error:
        raise WrongUse(f"{path}: {_in_words(error)}.", "Correct it and run again.") from None


def _in_words(error: ValidationError) -> str:
    """The first fault in one line, with the nearest known key where a key is unknown."""
    fault = error.errors()[0]
    where = _place(fault["loc"])
    if fault["type"] == "extra_forbidden":
        known = _known_keys(fault["loc"][:-1])
        nearest = difflib.get_close_matches(str(fault["loc"][-1]), known, n=1, cutoff=0.0)
        return f"unknown key {where}; did you mean '{nearest[0]}'?"
    message = str(fault.get("ctx", {}).get("error", fault["msg"]))
    return f"{where}: {message}" if where else message


def _place(location: tuple[int | str, ...]) -> str:
    return ".".join(f"#{part + 1}" if isinstance(part, int) else part for part in location)


def _known_keys(location: tuple[int | str, ...]) -> list[str]:
    section: Any = Settings
    for part in location:
        if isinstance(part, str):
            section = _section_type(section.model_fields[part].annotation)
    return list(section.model_fields)


def _section_type(annotation: Any) -> type[_Section]:
    arguments = getattr(annotation, "__args__", None)
    return arguments[0] if arguments else annotation
