"""Declarations on the published tables, each for itself."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from great_expectations.expectations.expectation import Expectation

from expectations.built.rules import (
    Columns,
    Share,
    Totals,
    never_rises,
    rows_consistent,
    sessions_numbered,
    shares_within_limits,
    totals_add_up,
)
from expectations.declaration import REPORT_THIS, Declaration
from expectations.report import Severity
from expectations.thresholds import ROUNDING
from ingest.contract import PLANS

CHECKED_AT_DELIVERY = ("in_band", "in_minutes", "spacing_kept", "over_temperature")
RECORDED = tuple(f"{name}_recorded" for name in CHECKED_AT_DELIVERY)
MARKED_AT_DELIVERY = ("expressed", "stopped_early", "screened", "consent_recorded")
INTERVAL_STATUSES = ("early", "on_time", "late", "overdue", "due", "not_due", "new_course")
ENDED = tuple(f"end_{reason}" for reason in (*PLANS.column("end_reason").codes, "unknown"))


def _in_order(*columns: str) -> Columns:
    """Rules that none of these is above the next."""
    return tuple(f"{lower} <= {upper} + {ROUNDING}" for lower, upper in pairwise(columns))


PROTOCOL_PAIR = ("rule", "protocol", "reference_protocol")
P_VALUES_IN_ORDER = _in_order("0", "p_value", "p_adjusted", "1")


@dataclass(frozen=True)
class Table:
    """A published table and what must hold in it.

    `may_be_empty` where a young group has nothing to show yet; that it is not empty without reason
    is a declaration on conservation.
    """

    name: str
    grain: Columns
    rules: Columns
    shares: tuple[Share, ...] = ()
    totals: tuple[Totals, ...] = ()
    may_be_empty: bool = False
    schema: str = "cohorts"


RESPONSE_BY_GRADE = Table(
    "response_by_grade",
    ("rule", "grading", "grade", "site", "protocol", "course_kind", "period"),
    rules=(
        "courses = not_applicable + not_measured + evaluable",
        "evaluable = responders + unchanged + worsened",
        "patients <= courses",
    ),
    shares=(
        Share("response_rate", "rate_low", "rate_high", of="evaluable"),
        Share("response_rate", "rate_if_missing_failed", "rate_if_missing_responded"),
        Share("other_treatment", "other_treatment", "other_treatment", of="evaluable"),
    ),
    totals=(
        Totals(
            over=("site", "grade", "protocol"),
            counts=(
                "courses",
                "not_applicable",
                "not_measured",
                "evaluable",
                "responders",
                "unchanged",
                "worsened",
            ),
        ),
    ),
    may_be_empty=True,
)

RESPONSE_AT_SESSION = Table(
    "response_at_session",
    ("rule", "grading", "grade", "site", "protocol", "course_kind", "session_number"),
    rules=(
        "responding + worsened <= measured",
        "measured <= treated",
        "treated + stopped <= begun",
    ),
    shares=(Share("response_share", "share_low", "share_high", of="begun"),),
    totals=(
        Totals(
            over=("site", "grade"),
            counts=("begun", "treated", "measured", "responding", "worsened", "stopped"),
        ),
    ),
    may_be_empty=True,
)

SESSIONS_TO_RESPONSE = Table(
    "sessions_to_response",
    ("rule", "grading", "grade", "site", "protocol", "course_kind", "session_number"),
    rules=(
        "responded + stopped + censored <= at_risk",
        f"abs(responded_by + not_yet - 1) <= {ROUNDING}",
        *_in_order("incidence", "responded_by"),
    ),
    shares=(
        Share("not_yet", "not_yet_low", "not_yet_high"),
        Share("incidence", "incidence_low", "incidence_high"),
        Share("by_chance", "by_chance", "by_chance"),
    ),
    totals=(
        Totals(over=("site", "grade"), counts=("at_risk", "responded", "stopped", "censored")),
    ),
    may_be_empty=True,
)

MAINTENANCE_ADHERENCE = Table(
    "maintenance_adherence",
    ("site", "protocol", "grade"),
    rules=(f"intervals = {' + '.join(INTERVAL_STATUSES)}", "judged <= intervals"),
    shares=(Share("adherence", "adherence_low", "adherence_high", of="judged"),),
    totals=(
        Totals(
            over=("site", "protocol", "grade"),
            counts=("intervals", *INTERVAL_STATUSES, "judged"),
        ),
    ),
    may_be_empty=True,
)

MAINTENANCE_RETURN = Table(
    "maintenance_return",
    ("site", "protocol", "days"),
    rules=("returned >= 1", "returned <= at_risk"),
    shares=(Share("returned_by", "returned_low", "returned_high"),),
    totals=(Totals(over=("site", "protocol"), counts=("returned",)),),
    may_be_empty=True,
)

DURABILITY = Table(
    "durability",
    ("rule", "estimand", "grading", "grade", "site", "protocol", "days"),
    rules=("lost >= 1", "lost <= at_risk", "censored >= 0"),
    shares=(Share("holding", "holding_low", "holding_high"),),
    totals=(Totals(over=("site", "grade", "protocol"), counts=("lost",)),),
    may_be_empty=True,
)

COURSE_FUNNEL = Table(
    "course_funnel",
    ("site", "month"),
    rules=("completed + stopped <= started", f"stopped = {' + '.join(ENDED)}"),
)

NOT_STARTED = tuple(
    f"not_started_{decision}" for decision in (*PLANS.column("decision").codes, "undecided")
)

LEAVING = Table(
    "leaving",
    ("site",),
    rules=(
        "recommended <= assessed",
        "accepted <= recommended",
        "started = completed + in_progress + stopped",
        f"assessed = started + {' + '.join(NOT_STARTED)}",
        f"stopped = {' + '.join(ENDED)}",
    ),
    totals=(
        Totals(
            over=("site",),
            counts=(
                *("assessed", "recommended", "accepted", "started", "completed", "in_progress"),
                *("stopped", *NOT_STARTED, *ENDED),
            ),
        ),
    ),
    may_be_empty=True,
)

WAITING_TIMES = Table(
    "waiting_times",
    ("site", "step"),
    rules=_in_order("0", "quarter_days", "median_days", "three_quarters_days"),
    totals=(Totals(over=("site",), counts=("waits",)),),
    may_be_empty=True,
)

DELIVERY = Table(
    "delivery",
    ("site", "protocol", "month"),
    rules=tuple(f"{count} <= session_eyes" for count in (*RECORDED, *MARKED_AT_DELIVERY)),
    shares=tuple(
        Share(share, share, share, of=recorded)
        for share, recorded in zip(
            (f"{name}_share" for name in CHECKED_AT_DELIVERY), RECORDED, strict=True
        )
    ),
    totals=(
        Totals(
            over=("site", "protocol", "month"),
            counts=("session_eyes", *RECORDED, *MARKED_AT_DELIVERY),
        ),
    ),
)

SAFETY = Table(
    "safety",
    ("site", "protocol", "month", "event", "severity"),
    rules=("asked <= sessions", "serious <= events"),
    shares=(Share("rate_per_100", "rate_low", "rate_high", of="asked", at_most=None),),
    totals=(
        Totals(over=("site", "protocol", "month"), counts=("sessions", "asked")),
        Totals(
            over=("site", "protocol", "month", "event", "severity"), counts=("events", "serious")
        ),
    ),
)

SAFETY_BY_DEVICE = Table(
    "safety_by_device",
    ("site", "device"),
    rules=("asked <= sessions", "serious <= events"),
    shares=(Share("rate_per_100", "rate_low", "rate_high", of="asked", at_most=None),),
)

MONTH_SUMMARY = Table(
    "month_summary",
    ("site", "month"),
    rules=(
        "treated_patients <= sessions",
        "sessions_asked <= sessions",
        "responders <= evaluable",
        "evaluable <= matured",
    ),
)

MONTH_OUTCOMES = Table(
    "month_outcomes",
    ("site", "month", "rule"),
    rules=(
        "courses = not_applicable + applicable",
        "applicable = not_measured + evaluable",
        "evaluable = responders + unchanged + worsened",
        "before_responders <= before_evaluable",
        *_in_order("0", "limit_low", "limit_high", "1"),
        "(beyond_limits is null) = (reason is not null)",
    ),
    shares=(
        Share("response_rate", "response_rate", "response_rate", of="evaluable"),
        Share("before_rate", "before_rate", "before_rate", of="before_evaluable"),
        Share("capture_rate", "capture_rate", "capture_rate", of="applicable"),
    ),
)

MONTH_HOME_CARE = Table(
    "month_home_care",
    ("site", "month"),
    rules=("halved <= measured", "measured <= courses"),
)

MONTHS_SIDE_BY_SIDE = Table(
    "months_side_by_side",
    ("site", "month"),
    rules=(
        "asked <= sessions",
        "evaluable <= matured",
        "responders <= evaluable",
        "in_band_recorded <= session_eyes",
    ),
    shares=(
        Share("response_rate", "response_rate", "response_rate", of="evaluable"),
        Share("in_band_share", "in_band_share", "in_band_share", of="in_band_recorded"),
    ),
    totals=(
        Totals(
            over=("site",),
            counts=(
                *("sessions", "asked", "events", "new_courses", "completed", "stopped"),
                *("matured", "evaluable", "responders", "session_eyes", "in_band_recorded"),
            ),
        ),
    ),
    may_be_empty=True,
)

HOME_CARE = Table(
    "home_care",
    ("grade", "site", "protocol", "course_kind"),
    rules=("halved <= measured", "measured <= courses"),
    shares=(Share("halved_share", "share_low", "share_high", of="measured"),),
    totals=(Totals(over=("grade", "site", "protocol"), counts=("courses", "measured", "halved")),),
    may_be_empty=True,
)

EXPECTED_COURSE = Table(
    "expected_course",
    ("grade",),
    rules=(
        "courses = not_measured + evaluable",
        "evaluable = responders + unchanged + worsened",
        "stopped <= courses",
        "abs(better_share + unchanged_share + worsened_share + not_measured_share - 1) "
        f"<= {ROUNDING}",
        *_in_order("1", "sessions_low", "sessions_median", "sessions_high"),
    ),
    shares=tuple(
        Share(f"{part}_share", f"{part}_share", f"{part}_share", of="courses")
        for part in ("better", "unchanged", "worsened", "not_measured", "stopped")
    ),
    may_be_empty=True,
)

EXPECTED_AT_SESSION = Table(
    "expected_at_session",
    ("grade", "session_number"),
    rules=(
        "begun = not_measured + measured",
        "measured = responding + unchanged + worsened",
        "unchanged >= 0",
        "abs(better_share + unchanged_share + worsened_share + not_measured_share - 1) "
        f"<= {ROUNDING}",
    ),
    shares=(
        Share("better_share", "better_low", "better_high", of="begun"),
        *(
            Share(f"{part}_share", f"{part}_share", f"{part}_share", of="begun")
            for part in ("unchanged", "worsened", "not_measured")
        ),
    ),
    may_be_empty=True,
)

FELT_IN_COURSES = Table(
    "felt_in_courses",
    ("grade", "event"),
    rules=("felt <= asked", "asked <= courses"),
    shares=(Share("felt_share", "share_low", "share_high", of="asked"),),
    totals=(Totals(over=("grade",), counts=("courses", "asked", "felt")),),
    may_be_empty=True,
)

DOSE_RESPONSE = Table(
    "dose_response",
    ("rule", "site", "protocol", "dose_quarter"),
    rules=("responders <= evaluable", "seconds_from <= seconds_to"),
    shares=(Share("response_rate", "rate_low", "rate_high", of="evaluable"),),
    totals=(Totals(over=("site", "protocol"), counts=("evaluable", "responders")),),
    may_be_empty=True,
)

PROTOCOL_COMPARISON = Table(
    "protocol_comparison",
    PROTOCOL_PAIR,
    rules=(
        "evaluable <= courses",
        "comparable = (reason is null)",
        "comparable = (difference is not null)",
        "comparable or coalesce(difference_low, difference_high, mh_difference) is null",
        "comparable or coalesce(p_value, p_adjusted) is null",
        *_in_order("-1", "difference_low", "difference", "difference_high", "1"),
        f"abs(difference - standardised_rate + reference_standardised_rate) <= {ROUNDING}",
        "abs(mh_difference) <= 1",
        *P_VALUES_IN_ORDER,
    ),
    shares=(
        Share("crude_rate", "crude_rate", "crude_rate", of="evaluable"),
        *(
            Share(rate, rate, rate)
            for rate in (
                "reference_crude_rate",
                "standardised_rate",
                "reference_standardised_rate",
                "share_in_overlap",
            )
        ),
    ),
    may_be_empty=True,
)

BAND_HOMOGENEITY = Table(
    "band_homogeneity",
    PROTOCOL_PAIR,
    rules=(
        "comparable = (reason is null)",
        "comparable = (statistic is not null)",
        "comparable or coalesce(p_value, p_adjusted, degrees_of_freedom) is null",
        "degrees_of_freedom = bands - 1",
        "statistic >= 0",
        *P_VALUES_IN_ORDER,
    ),
    may_be_empty=True,
)

SITE_COMPARISON = Table(
    "site_comparison",
    ("rule", "site"),
    rules=(
        "observed <= evaluable",
        *_in_order("0", "expected", "evaluable"),
        f"abs(ratio * expected - observed) <= {ROUNDING}",
        *_in_order("0", "low_998", "low_95", "high_95", "high_998"),
        "overdispersion >= 1",
    ),
    shares=(Share("capture_rate", "capture_rate", "capture_rate"),),
    may_be_empty=True,
)

FOLLOW_UP_COMPLETENESS = Table(
    "follow_up_completeness",
    ("site", "protocol"),
    rules=("seen <= courses", "observed_days <= potential_days"),
    shares=(Share("completeness", "completeness", "completeness", of="potential_days"),),
    totals=(
        Totals(
            over=("site", "protocol"),
            counts=("courses", "seen", "observed_days", "potential_days"),
        ),
    ),
    may_be_empty=True,
)

TABLES = (
    RESPONSE_BY_GRADE,
    RESPONSE_AT_SESSION,
    SESSIONS_TO_RESPONSE,
    MAINTENANCE_ADHERENCE,
    MAINTENANCE_RETURN,
    DURABILITY,
    COURSE_FUNNEL,
    LEAVING,
    WAITING_TIMES,
    DELIVERY,
    SAFETY,
    SAFETY_BY_DEVICE,
    MONTH_SUMMARY,
    MONTH_OUTCOMES,
    MONTH_HOME_CARE,
    MONTHS_SIDE_BY_SIDE,
    HOME_CARE,
    EXPECTED_COURSE,
    EXPECTED_AT_SESSION,
    FELT_IN_COURSES,
    DOSE_RESPONSE,
    PROTOCOL_COMPARISON,
    BAND_HOMOGENEITY,
    SITE_COMPARISON,
    FOLLOW_UP_COMPLETENESS,
)


def _declare(
    table: Table, what: str, description: str, finding: str, expectation: Expectation
) -> Declaration:
    return Declaration(
        f"{table.name}_{what}",
        f"In {table.name} {description}",
        f"In {table.name} {finding}",
        REPORT_THIS,
        Severity.STOP,
        f"{table.schema}.{table.name}",
        expectation,
        rows_at_least=0 if table.may_be_empty else 1,
    )


def of_table(table: Table) -> Iterator[Declaration]:
    """What is declared on a table for what it says must hold."""
    yield _declare(
        table,
        "rows_consistent",
        f"holds in each row: {'; '.join(table.rules)}.",
        "rows break a rule between their columns.",
        rows_consistent(table.grain, table.rules),
    )
    if table.shares:
        yield _declare(
            table,
            "shares_within_limits",
            "each rate lies between its limits, and is empty exactly where nothing was counted.",
            "rates lie outside their limits, or are empty or filled where they should not be.",
            shares_within_limits(table.grain, table.shares),
        )
    if table.totals:
        yield _declare(
            table,
            "totals_add_up",
            "the parts' counts add up to those of their total.",
            "the parts' counts do not add up to those of their total.",
            totals_add_up(table.grain, table.totals),
        )
    if "session_number" in table.grain:
        yield _declare(
            table,
            "sessions_numbered",
            "session numbers run from 1 without a gap.",
            "session numbers do not begin at 1, or have a gap.",
            sessions_numbered(table.grain),
        )


DECLARATIONS = (
    *(declaration for table in TABLES for declaration in of_table(table)),
    _declare(
        SESSIONS_TO_RESPONSE,
        "never_rises",
        "the share not yet responding never rises from one session to the next.",
        "the share not yet responding rises from one session to the next.",
        never_rises(SESSIONS_TO_RESPONSE.grain, "not_yet", along="session_number"),
    ),
    _declare(
        DURABILITY,
        "never_rises",
        "the share that holds never rises from one day to a later one.",
        "the share that holds rises from one day to a later one.",
        never_rises(DURABILITY.grain, "holding", along="days"),
    ),
    _declare(
        MAINTENANCE_RETURN,
        "never_falls",
        "the share that has returned never falls from one day to a later one.",
        "the share that has returned falls from one day to a later one.",
        never_rises(MAINTENANCE_RETURN.grain, "-returned_by", along="days"),
    ),
)
