"""What a group defines for itself: response rules and cohorts, each in a TOML file of its own.

All that such a file may hold is names, numbers, days and words; nothing of it is evaluated. The
models read what it says as rows.
"""

import csv
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from functools import cache, partial
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal, Self, TypeAlias, cast

import polars as pl
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    create_model,
    model_validator,
)

from ingest.contract import (
    CLINIC_CODE_SHAPE,
    EARLIEST_DAY,
    MEASURES,
    MEASURES_BY_NAME,
    PLANS,
    SESSIONS,
    SEVERITIES,
    VISITS,
    Level,
    Measure,
)
from pipeline.errors import WrongUse, as_sentence, suggestion
from pipeline.settings import (
    CODE_PATTERN,
    RESERVED_CODES,
    Day,
    Settings,
    fault_in_words,
    parse_toml,
    read_at_most,
)
from pipeline.workspace import Workspace

RULES_OF_OURS = Path(__file__).parent / "seeds" / "response_rules.csv"
RULE, COHORT = "response rule", "cohort"
ENDING = ".toml"
MOST_DEFINITIONS = 100
MOST_BANDS = 20
MOST_CODES = 100
MOST_COURSES = 1000  # and sessions, of one patient
LONGEST_TITLE, LONGEST_TEXT = 80, 600
PLACES = 6  # of every value that is measured
SMALLEST_STEP = Decimal(1).scaleb(-PLACES)
NAME = re.compile(CODE_PATTERN)
CLINIC_CODE = re.compile(CLINIC_CODE_SHAPE)


def _text(longest: int, text: str) -> str:
    if not text.strip():
        raise ValueError("must not be empty")
    if len(text) > longest:
        raise ValueError(f"has {len(text):,} characters, more than {longest}")
    if not text.isprintable():
        raise ValueError("holds a character that cannot be seen; write it on one line")
    return text.strip()


def _of_places(places: int, value: float) -> float:
    if round(value, places) != value:
        raise ValueError(f"{value} has more than {places} places")
    return value


def _measure(name: str) -> str:
    if name not in MEASURES_BY_NAME:
        raise ValueError(f"'{name[:60]}' is no measure; {suggestion(name[:60], MEASURES_BY_NAME)}")
    return name


Title = Annotated[str, AfterValidator(partial(_text, LONGEST_TITLE))]
Text = Annotated[str, AfterValidator(partial(_text, LONGEST_TEXT))]
Real = Annotated[float, Field(strict=True)]
Number = Annotated[Real, Field(ge=0, le=1e6), AfterValidator(partial(_of_places, PLACES))]
Percent = Annotated[Real, Field(gt=0, le=1000), AfterValidator(partial(_of_places, PLACES - 2))]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Range(_Section):
    """Numbers from `at_least` on, up to but without `below` or up to and with `at_most`."""

    at_least: Number | None = None
    below: Number | None = None
    at_most: Number | None = None

    @model_validator(mode="after")
    def _holds_a_number(self) -> Self:
        if self.below is not None and self.at_most is not None:
            raise ValueError("says both below and at_most; leave one of them out")
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ValueError(f"no number is at least {self.at_least} and so low")
        return self

    @property
    def low(self) -> Decimal | None:
        return None if self.at_least is None else _decimal(self.at_least)

    @property
    def high(self) -> Decimal | None:
        """The upper end as one that is left out."""
        if self.at_most is not None:
            return _decimal(self.at_most) + SMALLEST_STEP
        return None if self.below is None else _decimal(self.below)

    @property
    def given(self) -> tuple[float, ...]:
        ends = (self.at_least, self.below, self.at_most)
        return tuple(end for end in ends if end is not None)


class SomeRange(Range):
    """A range with an end."""

    @model_validator(mode="after")
    def _has_an_end(self) -> Self:
        if not self.given:
            raise ValueError("must say at_least, below or at_most")
        return self


class Days(_Section):
    """Days from `since` to `until`, both included."""

    since: Day | None = None
    until: Day | None = None

    @model_validator(mode="after")
    def _holds_a_day(self) -> Self:
        if self.since is None and self.until is None:
            raise ValueError("must say since or until")
        if self.since and self.until and self.since > self.until:
            raise ValueError(f"since {self.since} is after until {self.until}")
        return self


class Band(Range):
    """Baselines that a rule asks the same of: a change, or a percentage of the baseline."""

    change: Annotated[Number, Field(gt=0)] | None = None
    percent: Percent | None = None

    @model_validator(mode="after")
    def _asks_one_thing(self) -> Self:
        if (self.change is None) == (self.percent is None):
            raise ValueError("must say one of change and percent")
        return self

    @property
    def share(self) -> Decimal | None:
        return None if self.percent is None else _decimal(self.percent) / 100


class ResponseRule(_Section):
    """What counts as a response; which way the measure improves, the contract says."""

    kind: Literal["response rule"]
    title: Title
    words: Text
    measure: Annotated[str, AfterValidator(_measure)]
    source: Text
    band: Annotated[tuple[Band, ...], Field(min_length=1, max_length=MOST_BANDS)]

    @model_validator(mode="after")
    def _bands_are_of_the_measure(self) -> Self:
        low, high = self.measured.low, self.measured.high
        for number, band in enumerate(self.band, start=1):
            for end in band.given:
                if not low <= end <= high:
                    raise ValueError(
                        f"band #{number}: {end:g} lies outside {self.measure}, which goes from "
                        f"{low:g} to {high:g} {self.measured.unit}"
                    )
            if band.change is not None and band.change > high - low:
                raise ValueError(
                    f"band #{number}: no {self.measure} changes by {band.change:g} "
                    f"{self.measured.unit}"
                )
        for lower, upper in pairwise(sorted(self.band, key=self.from_value)):
            if lower.high is None or lower.high > self.from_value(upper):
                raise ValueError("two bands hold the same baselines; part them with below")
        return self

    @property
    def measured(self) -> Measure:
        return MEASURES_BY_NAME[self.measure]

    @property
    def unit(self) -> str:
        return "course" if self.measured.level is Level.PATIENT else "eye"

    def from_value(self, band: Band) -> Decimal:
        return _decimal(self.measured.low) if band.low is None else band.low


@dataclass(frozen=True)
class Trait:
    """What a cohort may ask of a course; `codes` empty: the group's own, or a clinic's."""

    says: str
    codes: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    unit: str = ""
    is_day: bool = False


GRADES = (*SEVERITIES, "unknown")
SITE, PROTOCOL = "site", "protocol"
CLINICS_OWN = ("device", "operator")
MINUTES = VISITS.column("home_care_minutes_per_day")
AGE = VISITS.column("age_years")
TRAITS: Mapping[str, Trait] = {
    SITE: Trait("the clinic, by its code in group.toml"),
    PROTOCOL: Trait("the course's protocol, by its code in group.toml"),
    "course_kind": Trait("first or repeat", ("first", "repeat")),
    "course_number": Trait("its place among the patient's courses", low=1, high=MOST_COURSES),
    "state": Trait("how the course stands", ("completed", "in_progress", "stopped")),
    "end_reason": Trait("why the course stopped", (*PLANS.column("end_reason").codes, "unknown")),
    "sessions": Trait("those that were given", low=1, high=MOST_COURSES, unit="sessions"),
    "sessions_planned": Trait("those that were planned", low=1, high=MOST_COURSES, unit="sessions"),
    "first_date": Trait("when it began", is_day=True),
    "last_date": Trait("its last session", is_day=True),
    "symptoms_band": Trait("grade of symptoms at baseline", ("normal", *GRADES)),
    "clinician_grade": Trait("the clinician's own grade at baseline", GRADES),
    "age_years": Trait(
        "as a visit up to the first session says", low=AGE.low, high=AGE.high, unit="years"
    ),
    "sex": Trait("as a visit up to the first session says", VISITS.column("sex").codes),
    "diagnosis": Trait("as a visit up to the first session says", VISITS.column("diagnosis").codes),
    "device": Trait("a device used in it, by the clinic's own code"),
    "operator": Trait("who treated in it, by the clinic's own code"),
    "lids": Trait("lids heated in it", SESSIONS.column("lids").codes),
    **{
        f"baseline_{one.name}": Trait(
            f"{one.description}, at baseline", low=one.low, high=one.high, unit=one.unit
        )
        for one in MEASURES
    },
    f"baseline_{MINUTES.name}": Trait(
        f"{MINUTES.description}, at baseline", low=MINUTES.low, high=MINUTES.high, unit="min/day"
    ),
}


def _codes(trait: str, value: object) -> tuple[str, ...]:
    """Any of these codes; whether a clinic or a protocol is known, group.toml tells."""
    words = value if isinstance(value, list | tuple) else [value]
    if not words or not all(isinstance(word, str) for word in words):
        raise ValueError('must be a list of codes like ["severe"]')
    if len(words) > MOST_CODES:
        raise ValueError(f"lists more than {MOST_CODES} codes")
    known = TRAITS[trait].codes
    for word in words:
        if known and word not in known:
            raise ValueError(f"'{word[:60]}' is no code of it; {suggestion(word[:60], known)}")
        if trait in CLINICS_OWN and not CLINIC_CODE.fullmatch(word):
            raise ValueError(f"'{word[:60]}' is no code; use letters, digits, - and _")
    if repeated := next((word for word in words if words.count(word) > 1), None):
        raise ValueError(f"'{repeated[:60]}' is given twice")
    return tuple(words)


def _table(example: str, value: object) -> object:
    if not isinstance(value, dict | _Section):
        raise ValueError(f"must be written like {example}")
    return value


def _in_range(trait: str, asked: SomeRange) -> SomeRange:
    low, high = TRAITS[trait].low, TRAITS[trait].high
    for end in asked.given:
        if low is not None and high is not None and not low <= end <= high:
            raise ValueError(f"{end:g} lies outside {low:g} to {high:g}")
    return asked


def _asked(name: str, trait: Trait) -> Any:
    if trait.is_day:
        return Annotated[Days, BeforeValidator(partial(_table, "{ since = 2025-01-01 }"))]
    if trait.low is not None:
        like = BeforeValidator(partial(_table, "{ at_least = 18, below = 40 }"))
        return Annotated[SomeRange, like, AfterValidator(partial(_in_range, name))]
    return Annotated[tuple[str, ...], BeforeValidator(partial(_codes, name))]


_FIELDS: Any = {name: (_asked(name, trait) | None, None) for name, trait in TRAITS.items()}
Where: Any = create_model("Where", __base__=_Section, **_FIELDS)


class Cohort(_Section):
    """Courses for which all that `where` asks is true."""

    kind: Literal["cohort"]
    title: Title
    question: Text
    where: Where

    @model_validator(mode="after")
    def _asks_something(self) -> Self:
        if not self.asked:
            raise ValueError(f"[where] asks nothing; it may name {', '.join(TRAITS)}")
        return self

    @property
    def asked(self) -> dict[str, tuple[str, ...] | SomeRange | Days]:
        return {name: asked for name, asked in self.where if asked is not None}


Definition: TypeAlias = ResponseRule | Cohort
KINDS: Mapping[str, type[Definition]] = {RULE: ResponseRule, COHORT: Cohort}


def read_definitions(workspace: Workspace) -> dict[str, Definition]:
    """What a workspace keeps, by name.

    Raises:
        WrongUse: a file in `definitions/` cannot be used as it stands, or there are too many.
    """
    found = sorted(workspace.definitions.glob(f"*{ENDING}"))
    if len(found) > MOST_DEFINITIONS:
        raise WrongUse(
            f"{workspace.definitions} holds {len(found):,} definitions, more than "
            f"{MOST_DEFINITIONS}.",
            "Remove those that nobody needs: `lidcohort define --remove NAME`.",
        )
    return {path.stem: read_definition(path, workspace.settings)[0] for path in found}


def read_definition(path: Path, settings: Settings) -> tuple[Definition, bytes]:
    """What a definition's file says, and its bytes; its name is the file's, without the ending.

    Raises:
        WrongUse: it is no file, its name will not do, it is no TOML, has an unknown key, or asks
            for what there is not.
    """
    if not path.is_file():
        raise WrongUse(f"{path} is no file.", "Name a TOML file that defines something.")
    try:
        _check_name(path)
        content = read_at_most(path)
        definition = parse_definition(parse_toml(content))
        for fault in _unknown_to(settings, definition):
            raise ValueError(fault)
    except UnicodeDecodeError as error:
        fault = f"it is not UTF-8 text (byte {error.start + 1})"
    except ValidationError as error:
        fault = _in_words(error)
    except ValueError as error:
        fault = str(error)
    else:
        return definition, content
    raise WrongUse(as_sentence(f"{path}: {fault}"), "Correct it and give the command again.")


def parse_definition(content: Mapping[str, Any]) -> Definition:
    """A definition from TOML, or from a manifest.

    Raises:
        ValueError: what is wrong with it.
    """
    kind = content.get("kind")
    if kind is None:
        raise ValueError(f"kind is missing; write kind = '{RULE}' or kind = '{COHORT}'")
    if kind not in (RULE, COHORT):
        raise ValueError(f"kind: {str(kind)[:60]!r} is none; {suggestion(str(kind)[:60], KINDS)}")
    return KINDS[kind].model_validate(content)


def told(definitions: Mapping[str, Definition]) -> dict[str, Any]:
    """Definitions as a manifest keeps them."""
    return {
        name: one.model_dump(mode="json", exclude_none=True) for name, one in definitions.items()
    }


def frames(definitions: Mapping[str, Definition]) -> dict[str, pl.DataFrame]:
    """Definitions as the models read them, a table each for rules, bands, cohorts, conditions."""
    rules = [(name, one) for name, one in definitions.items() if isinstance(one, ResponseRule)]
    cohorts = [(name, one) for name, one in definitions.items() if isinstance(one, Cohort)]
    rows: dict[str, list[tuple[Any, ...]]] = {
        "rules": [
            (
                *(name, position, rule.title, rule.words, rule.measure, rule.unit),
                *(rule.measured.better, rule.measured.unit, rule.source),
            )
            for position, (name, rule) in enumerate(rules, start=1)
        ],
        "rule_bands": [
            (
                *(name, number, rule.from_value(band), band.high),
                *(None if band.change is None else _decimal(band.change), band.share),
            )
            for name, rule in rules
            for number, band in enumerate(rule.band, start=1)
        ],
        "cohorts": [
            (name, position, cohort.title, cohort.question)
            for position, (name, cohort) in enumerate(cohorts, start=1)
        ],
        "cohort_conditions": [
            (name, number, *condition)
            for name, cohort in cohorts
            for number, condition in enumerate(_conditions(cohort), start=1)
        ],
    }
    return {name: pl.DataFrame(rows[name], SCHEMAS[name], orient="row") for name in SCHEMAS}


_WORD, _WHOLE, _FIXED, _DAY = pl.String(), pl.Int64(), pl.Decimal(18, PLACES), pl.Date()
SCHEMAS: Mapping[str, pl.Schema] = {
    "rules": pl.Schema(
        {
            "rule": _WORD,
            "position": _WHOLE,
            **dict.fromkeys(("title", "words", "measure", "unit", "better"), _WORD),
            **dict.fromkeys(("measured_in", "source"), _WORD),
        }
    ),
    "rule_bands": pl.Schema(
        {
            "rule": _WORD,
            "band": _WHOLE,
            **dict.fromkeys(("at_least", "below", "amount", "share"), _FIXED),
        }
    ),
    "cohorts": pl.Schema({"cohort": _WORD, "position": _WHOLE, "title": _WORD, "question": _WORD}),
    "cohort_conditions": pl.Schema(
        {
            "cohort": _WORD,
            "condition": _WHOLE,
            "trait": _WORD,
            "code": _WORD,
            **dict.fromkeys(("at_least", "below"), _FIXED),
            **dict.fromkeys(("from_day", "before_day"), _DAY),
        }
    ),
}


def in_words(definition: Definition) -> list[str]:
    """What a definition asks, a line for each band or trait."""
    if isinstance(definition, ResponseRule):
        return [_band_in_words(definition, band) for band in definition.band]
    return [
        f"{name}, {TRAITS[name].says}: {_asked_in_words(name, one)}"
        for name, one in definition.asked.items()
    ]


def _band_in_words(rule: ResponseRule, band: Band) -> str:
    unit = rule.measured.unit
    amount = f"{band.percent:g} % of it" if band.percent is not None else f"{band.change:g} {unit}"
    way = "lower" if rule.measured.better == "lower" else "higher"
    return f"{rule.measure} at baseline {_range_in_words(band, unit)}: {way} by {amount} or more"


def _asked_in_words(name: str, asked: tuple[str, ...] | SomeRange | Days) -> str:
    if isinstance(asked, SomeRange):
        return _range_in_words(asked, TRAITS[name].unit)
    if isinstance(asked, Days):
        since = f"from {asked.since}" if asked.since else ""
        return " ".join(filter(None, (since, f"to {asked.until}" if asked.until else "")))
    return " or ".join(asked)


def _range_in_words(asked: Range, unit: str) -> str:
    parts = (
        f"from {asked.at_least:g}" if asked.at_least is not None else "",
        f"below {asked.below:g}" if asked.below is not None else "",
        f"up to {asked.at_most:g}" if asked.at_most is not None else "",
    )
    told = " ".join(filter(None, parts))
    return f"{told} {unit}".rstrip() if told else "of any value"


def _conditions(cohort: Cohort) -> Iterator[tuple[Any, ...]]:
    """Each as trait, code, at_least, below, from_day, before_day."""
    for name, asked in cohort.asked.items():
        if isinstance(asked, Days):
            before = asked.until and asked.until + timedelta(days=1)
            yield name, None, None, None, asked.since or EARLIEST_DAY, before
        elif isinstance(asked, SomeRange):
            low = _decimal(cast(float, TRAITS[name].low)) if asked.low is None else asked.low
            yield name, None, low, asked.high, None, None
        else:
            yield from ((name, code, None, None, None, None) for code in asked)


def _check_name(path: Path) -> None:
    name = path.name.removesuffix(ENDING)
    if not path.name.endswith(ENDING):
        raise ValueError(f"its name does not end in {ENDING}")
    if not NAME.fullmatch(name):
        raise ValueError(
            "its name, without the ending, is the definition's: use up to 40 lower-case letters, "
            "digits and _, a letter first"
        )
    if name in RESERVED_CODES:
        raise ValueError(f"the name '{name}' is reserved")
    if name in our_rules():
        raise ValueError(f"the name '{name}' is that of a rule that is there already")


@cache
def our_rules() -> frozenset[str]:
    """The rules that every release has."""
    with RULES_OF_OURS.open(encoding="utf-8", newline="") as file:
        return frozenset(row["rule"] for row in csv.DictReader(file))


def _unknown_to(settings: Settings, definition: Definition) -> Iterator[str]:
    """What the group has not: clinics, protocols, and columns that it leaves out."""
    asked = definition.asked if isinstance(definition, Cohort) else {}
    for trait, known in ((SITE, settings.site_codes), (PROTOCOL, settings.protocol_codes)):
        for code in cast(tuple[str, ...], asked.get(trait, ())):
            if code not in known:
                yield f"where.{trait}: '{code[:60]}' is not in group.toml; " + suggestion(
                    code[:60], known
                )
    for name in asked:
        if name in settings.privacy.leave_out:
            yield f"where.{name}: group.toml leaves its values out ([privacy] leave_out)"


def _in_words(error: ValidationError) -> str:
    faults = sorted(error.errors(), key=lambda fault: fault["type"] != "extra_forbidden")
    more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
    [kind] = [kind for kind in KINDS.values() if kind.__name__ == error.title]
    return fault_in_words(faults[0], partial(_section_at, kind)) + more


def _section_at(kind: type[Definition], location: tuple[int | str, ...]) -> type[BaseModel]:
    match location:
        case ("band", int()):
            return Band
        case ("where",):
            return cast(type[BaseModel], Where)
        case ("where", str(name)):
            return Days if TRAITS[name].is_day else SomeRange
        case _:
            return kind


def _decimal(number: float) -> Decimal:
    return Decimal(str(number))
