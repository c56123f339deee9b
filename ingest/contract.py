"""What a clinic exports: every kind, column, range and code, written once.

The checks, the empty inputs, the synthetic exports and the contract's documentation all derive
from this module.
"""

import hashlib
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

import polars as pl


class Type(StrEnum):
    """How a column's text is read and stored."""

    KEY = "key"  # re-keyed on arrival; stored as <entity>_key
    DATE = "date"  # ISO 8601
    CODE = "code"  # one of the column's codes
    PROTOCOL = "protocol"  # a code of group.toml
    CLINIC_CODE = "clinic_code"  # the clinic's own short code: no names
    INTEGER = "integer"
    DECIMAL = "decimal"
    YES_NO = "yes_no"


EARLIEST_DAY = date(2000, 1, 1)
CLINIC_CODE_SHAPE = r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$"  # no space, so no full name


class Reason(StrEnum):
    """Why a row is refused, or a value flagged; the last four only ever flag."""

    MISSING = "missing"
    UNREADABLE = "unreadable"
    OUT_OF_RANGE = "out_of_range"
    UNKNOWN_CODE = "unknown_code"
    AFTER_BATCH = "after_batch"
    BEFORE_2000 = "before_2000"
    NEEDS_SINGLE_EYE = "needs_single_eye"
    NEEDS_BOTH_EYES = "needs_both_eyes"
    UNKNOWN_PROTOCOL = "unknown_protocol"
    REPEATED_KEY = "repeated_key"
    EYES_DISAGREE = "eyes_disagree"
    ABOVE_RANGE = "above_range"
    AVERAGED = "averaged"
    UNKNOWN_COLUMN = "unknown_column"
    SKIPPED = "skipped"


# What each reason means, and what to do about it at the source.
MEANINGS: dict[Reason, tuple[str, str]] = {
    Reason.MISSING: (
        "a required value is empty",
        "fill it in and export the row again",
    ),
    Reason.UNREADABLE: (
        "no ISO date or no number; an id that holds a character that cannot be seen; or a row with "
        "more or fewer cells than the header",
        "correct the value; put a value that holds a comma between quotation marks",
    ),
    Reason.OUT_OF_RANGE: (
        "a number outside its range",
        "look for a slip or another unit, and correct it",
    ),
    Reason.UNKNOWN_CODE: (
        "a code that the column does not have",
        "use one of the column's codes, in lower case",
    ),
    Reason.AFTER_BATCH: (
        "a date after the last day that the batch covers",
        "correct the date, or export the row with a later batch",
    ),
    Reason.BEFORE_2000: ("a date before the year 2000", "correct the date"),
    Reason.NEEDS_SINGLE_EYE: (
        "a measure of an eye with `both`",
        "export one row for each eye that was measured",
    ),
    Reason.NEEDS_BOTH_EYES: (
        "a measure of the patient with a single eye",
        "export one row with `both`",
    ),
    Reason.UNKNOWN_PROTOCOL: (
        "a protocol that group.toml does not have",
        "correct the code, or have the protocol added to group.toml",
    ),
    Reason.REPEATED_KEY: (
        "rows of one batch with the same key and different content; all of them are refused",
        "give each row its own key, or export only the one that is right",
    ),
    Reason.EYES_DISAGREE: (
        "two eye rows of a session that differ in what they must share; both are refused",
        "make them equal",
    ),
    Reason.ABOVE_RANGE: (
        "a temperature above its range: kept as it is",
        "check the device and the entry; if it is true, look at the patient",
    ),
    Reason.AVERAGED: (
        "samples of one session, eye and time: their mean is kept",
        "nothing, unless they are many",
    ),
    Reason.UNKNOWN_COLUMN: (
        "a column that is not in the contract: not read",
        "nothing, or leave it out",
    ),
    Reason.SKIPPED: (
        "a row that the site's mapping leaves out, such as a total",
        "nothing, unless they are more than there should be",
    ),
}
WHOLE_ROW = "whole_row"  # stands for the column where no single one is at fault

STORED_AS: dict[Type, pl.DataType] = {
    Type.KEY: pl.String(),
    Type.DATE: pl.Date(),
    Type.CODE: pl.String(),
    Type.PROTOCOL: pl.String(),
    Type.CLINIC_CODE: pl.String(),
    Type.INTEGER: pl.Int64(),
    Type.DECIMAL: pl.Decimal(18, 6),
    Type.YES_NO: pl.Boolean(),
}


@dataclass(frozen=True)
class Column:
    """One column of an export.

    `low` and `high` are inclusive, in `unit`. `kept_above` marks a temperature: a value above
    `high` is kept and flagged, never emptied or refused. `stored_at_most` caps what is stored.
    """

    name: str
    type: Type
    description: str
    required: bool = False
    unit: str | None = None
    low: float | None = None
    high: float | None = None
    codes: tuple[str, ...] = ()
    kept_above: bool = False
    stored_at_most: int | None = None

    @property
    def entity(self) -> str:
        """What a key stands for: the same in every kind that names it."""
        return self.name.removesuffix("_id")

    @property
    def stored_name(self) -> str:
        return self.entity + "_key" if self.type is Type.KEY else self.name

    @property
    def stored_type(self) -> pl.DataType:
        return STORED_AS[self.type]


@dataclass(frozen=True)
class Kind:
    """One export: a row's grain and its columns.

    `agree` names the columns on which rows that share the first key of the grain must agree.
    `averaged` names the column that is averaged over rows that share the whole grain; in other
    kinds such rows are refused.
    `followed` marks a log, whose rows follow one another by the grain's last column, a time in s,
    where they share the rest: it names the column of which a row also keeps the next one's value.
    """

    name: str
    description: str
    grain: tuple[str, ...]
    columns: tuple[Column, ...]
    required: bool = False
    agree: tuple[str, ...] = ()
    averaged: str | None = None
    followed: str | None = None

    def column(self, name: str) -> Column:
        return next(column for column in self.columns if column.name == name)

    @property
    def keys(self) -> tuple[Column, ...]:
        return tuple(column for column in self.columns if column.type is Type.KEY)

    @property
    def stored_grain(self) -> tuple[str, ...]:
        return tuple(self.column(name).stored_name for name in self.grain)

    @property
    def stored_schema(self) -> pl.Schema:
        """Columns of an accepted file: the contract's, a log's, then where the row came from."""
        return pl.Schema(
            {column.stored_name: column.stored_type for column in self.columns}
            | self.log_schema
            | {"source_file": pl.String(), "source_row": pl.Int64()}
        )

    @property
    def log_schema(self) -> dict[str, pl.DataType]:
        """What a row of a log is stored with: whether it is the first, and of the next one its
        time after this one and its value, null at the last."""
        if self.followed is None:
            return {}
        return {
            "begins_log": pl.Boolean(),
            "next_after_s": self.column(self.grain[-1]).stored_type,
            f"next_{self.followed}": self.column(self.followed).stored_type,
        }


class Level(StrEnum):
    PATIENT = "patient"
    EYE = "eye"


@dataclass(frozen=True)
class Measure:
    """One outcome measure; `low` and `high` inclusive, in `unit`."""

    name: str
    low: float
    high: float
    level: Level
    better: str  # lower, higher
    unit: str
    description: str


MEASURES: tuple[Measure, ...] = (
    Measure("osdi", 0, 100, Level.PATIENT, "lower", "points", "ocular surface disease index"),
    Measure("speed", 0, 28, Level.PATIENT, "lower", "points", "how often and how bad symptoms are"),
    Measure("deq5", 0, 22, Level.PATIENT, "lower", "points", "five-item dry eye questionnaire"),
    Measure("break_up_time", 0, 60, Level.EYE, "higher", "s", "tear film break-up time with dye"),
    Measure("noninvasive_break_up_time", 0, 60, Level.EYE, "higher", "s", "the same, without dye"),
    Measure("meibum_quality", 0, 24, Level.EYE, "lower", "points", "8 glands x 0-3"),
    Measure("meibum_expressibility", 0, 3, Level.EYE, "lower", "grade", "how hard to express"),
    Measure("gland_secretion", 0, 45, Level.EYE, "higher", "points", "15 glands x 0-3"),
    Measure("oxford_staining", 0, 15, Level.EYE, "lower", "points", "ocular surface staining"),
    Measure("osmolarity", 250, 450, Level.EYE, "lower", "mOsm/L", "tear osmolarity"),
    Measure("meiboscore", 0, 6, Level.EYE, "lower", "points", "gland loss of both lids of an eye"),
)  # fmt: skip

SINGLE_EYES = ("right", "left")
EYES = (*SINGLE_EYES, "both")
HARMS = ("redness", "discomfort", "swelling", "blister", "burn", "corneal", "other")
SEVERITIES = ("mild", "moderate", "severe")


def _key(name: str, description: str, required: bool = True) -> Column:
    return Column(name, Type.KEY, description, required)


def _day(name: str, description: str, required: bool = False) -> Column:
    return Column(name, Type.DATE, description, required)


def _code(name: str, codes: tuple[str, ...], description: str, required: bool = False) -> Column:
    return Column(name, Type.CODE, description, required, codes=codes)


def _yes_no(name: str, description: str) -> Column:
    return Column(name, Type.YES_NO, description)


PATIENT = _key("patient_id", "the patient within the site")

VISITS = Kind(
    "visits",
    "One row per visit.",
    grain=("visit_id",),
    required=True,
    columns=(
        _key("visit_id", "the visit within the site"),
        PATIENT,
        _day("visit_date", "day of the visit", required=True),
        _code(
            "visit_reason",
            ("assessment", "course", "review", "maintenance", "other"),
            "why the patient came",
            required=True,
        ),
        _code("severity_grade", SEVERITIES, "the clinician's own grade of the disease"),
        _code("diagnosis", ("mgd", "aqueous", "mixed", "other"), "kind of dry eye"),
        Column(
            "age_years",
            Type.INTEGER,
            "age on the day; above 89 is stored as 90",
            unit="years",
            low=0,
            high=120,
            stored_at_most=90,
        ),
        _code("sex", ("female", "male", "other"), "sex as recorded"),
        Column(
            "home_care_minutes_per_day",
            Type.DECIMAL,
            "time spent on home care",
            unit="min/day",
            low=0,
            high=240,
        ),
        Column("drops_per_day", Type.DECIMAL, "eye drops used", unit="drops/day", low=0, high=48),
    ),
)

SESSIONS = Kind(
    "sessions",
    "One row per treatment session and eye.",
    grain=("session_id", "eye"),
    required=True,
    agree=("patient_id", "session_date", "purpose", "protocol", "chair_minutes", "screened"),
    columns=(
        _key("session_id", "the session within the site, the same on both eye rows"),
        PATIENT,
        _day("session_date", "day of the session", required=True),
        _code("eye", SINGLE_EYES, "the eye treated", required=True),
        _code("purpose", ("course", "maintenance"), "part of a course, or upkeep", required=True),
        Column("protocol", Type.PROTOCOL, "a protocol's code of group.toml", required=True),
        _code("lids", ("upper", "lower", "both"), "the lids heated"),
        Column(
            "plateau_temp_c",
            Type.DECIMAL,
            "temperature held at the lid",
            unit="C",
            low=30,
            high=50,
            kept_above=True,
        ),
        Column(
            "max_temp_c",
            Type.DECIMAL,
            "highest temperature at the lid",
            unit="C",
            low=30,
            high=60,
            kept_above=True,
        ),
        Column("minutes", Type.DECIMAL, "heating of this eye", unit="min", low=0, high=60),
        Column(
            "chair_minutes",
            Type.DECIMAL,
            "the whole session in the chair",
            unit="min",
            low=0,
            high=240,
        ),
        Column("pain_0_10", Type.DECIMAL, "pain as told", unit="points", low=0, high=10),
        _yes_no("glands_expressed", "the glands were expressed"),
        _yes_no("lid_hygiene_done", "the lids were cleaned"),
        _yes_no("eye_shield", "the eye was shielded"),
        _yes_no("stopped_early", "heating was stopped before its time"),
        _yes_no("screened", "contraindications were screened before"),
        _yes_no("consent_recorded", "consent is on record"),
        Column("operator", Type.CLINIC_CODE, "the clinic's code of who treated"),
        Column("device", Type.CLINIC_CODE, "the clinic's code of the device"),
        _code(
            "adverse_event",
            ("none", *HARMS),
            "harm seen at the session; none = asked and none; empty = not asked",
        ),
    ),
)

OUTCOMES = Kind(
    "outcomes",
    "One row per value measured, in long form.",
    grain=("outcome_id",),
    required=True,
    columns=(
        _key("outcome_id", "the value within the site"),
        PATIENT,
        _day("assessed_date", "day of the measurement", required=True),
        _code("eye", EYES, "the eye measured; both for a measure of the patient", required=True),
        _code("measure", tuple(m.name for m in MEASURES), "what was measured", required=True),
        Column("value", Type.DECIMAL, "the value, in the measure's unit and range", required=True),
        _code(
            "timing",
            ("before_treatment", "after_treatment", "no_treatment"),
            "when on the day, against that day's treatment",
        ),
    ),
)

PATIENTS = Kind(
    "patients",
    "One row per patient.",
    grain=("patient_id",),
    columns=(
        PATIENT,
        _code(
            "status",
            ("active", "discharged", "moved", "deceased", "declined_recall"),
            "where the patient stands with the clinic",
            required=True,
        ),
        _day("status_date", "since when"),
        _yes_no("treated_before", "had such treatment before the first session exported"),
    ),
)

PLANS = Kind(
    "plans",
    "One row per treatment plan decided on.",
    grain=("plan_id",),
    columns=(
        _key("plan_id", "the plan within the site"),
        PATIENT,
        _day("decided_on", "day of the decision", required=True),
        _code(
            "decision",
            (
                "recommended",
                "accepted",
                "declined",
                "deferred",
                "not_suitable",
                "home_care_first",
            ),
            "what was decided",
            required=True,
        ),
        Column("protocol", Type.PROTOCOL, "the protocol planned"),
        Column(
            "sessions_planned",
            Type.INTEGER,
            "sessions of the course",
            unit="sessions",
            low=1,
            high=20,
        ),
        _code(
            "home_care_result",
            ("enough", "not_enough", "not_tried"),
            "whether home care had helped enough",
        ),
        _day("ended_on", "day the plan ended"),
        _code(
            "end_reason",
            (
                "completed",
                "improved_enough",
                "no_benefit",
                "adverse_event",
                "cost",
                "discomfort",
                "moved",
                "lost_contact",
                "died",
                "other",
            ),
            "why it ended",
        ),
    ),
)

TREATMENTS = Kind(
    "treatments",
    "One row per other treatment given.",
    grain=("treatment_id",),
    columns=(
        _key("treatment_id", "the treatment within the site"),
        PATIENT,
        _code(
            "treatment",
            (
                "warm_mask",
                "lid_hygiene",
                "lubricant",
                "anti_inflammatory_drops",
                "oral_antibiotic",
                "punctal_plug",
                "light_therapy",
                "other_heat",
                "expression_only",
                "surgery",
                "contact_lens_change",
                "other",
            ),
            "what else was done",
            required=True,
        ),
        _code("eye", EYES, "the eye treated"),
        _day("started_on", "first day", required=True),
        _day("stopped_on", "last day"),
    ),
)

ADVERSE_EVENTS = Kind(
    "adverse_events",
    "One row per harm reported, late ones included.",
    grain=("event_id",),
    columns=(
        _key("event_id", "the event within the site"),
        PATIENT,
        _day("onset_date", "day it began", required=True),
        _code("event", HARMS, "what happened", required=True),
        _code("severity", SEVERITIES, "how bad it was", required=True),
        _yes_no("serious", "serious by the local definition"),
        _key("session_id", "the session it is put down to", required=False),
        _code("eye", EYES, "the eye concerned"),
        _day("resolved_date", "day it was over"),
    ),
)

TEMPERATURES = Kind(
    "temperatures",
    "One row per sample of a session's temperature log.",
    grain=("session_id", "eye", "t_s"),
    averaged="temp_c",
    followed="temp_c",
    columns=(
        _key("session_id", "the session within the site"),
        _code("eye", SINGLE_EYES, "the eye treated", required=True),
        Column("t_s", Type.DECIMAL, "time from start", required=True, unit="s", low=0, high=14400),
        Column(
            "temp_c",
            Type.DECIMAL,
            "temperature at the lid sensor",
            required=True,
            unit="C",
            low=0,
            high=60,
            kept_above=True,
        ),
    ),
)

KINDS: tuple[Kind, ...] = (
    VISITS,
    SESSIONS,
    OUTCOMES,
    PATIENTS,
    PLANS,
    TREATMENTS,
    ADVERSE_EVENTS,
    TEMPERATURES,
)
KINDS_BY_NAME = {kind.name: kind for kind in KINDS}
MEASURES_BY_NAME = {measure.name: measure for measure in MEASURES}


def contract_version() -> str:
    """Twelve hex digits that change whenever a kind, column, range or code does."""
    whole = (KINDS, MEASURES, EARLIEST_DAY, CLINIC_CODE_SHAPE)
    return hashlib.sha256(repr(whole).encode()).hexdigest()[:12]
