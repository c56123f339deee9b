"""Declarations on what a group defined for itself, where it did."""

from dataclasses import replace

from great_expectations.expectations.expectation import Expectation

from expectations.built.published import RESPONSE_AT_SESSION, RESPONSE_BY_GRADE, of_table
from expectations.built.rules import same_count_at
from expectations.declaration import REPORT_THIS, Declaration, none_in
from expectations.report import Severity
from pipeline.workspace import Release

TABLES = tuple(
    replace(like, name=name, schema="defined", grain=("cohort", *like.grain))
    for name, like in {
        "response_by_definition": RESPONSE_BY_GRADE,
        "session_response_by_definition": RESPONSE_AT_SESSION,
    }.items()
)
OVER_ALL = """
    grading = 'symptoms' and grade = 'all' and site = 'all' and protocol = 'all'
    and course_kind = 'all' and period = 'all'
"""

COURSES_OF_COHORTS = same_count_at(
    {
        "in_cohorts": """
            select cohort as key, mature_courses as counted from {batch} where mature_courses > 0
            """,
        "in_responses": f"""
            select cohort as key, courses as counted
            from defined.response_by_definition
            where cohort <> 'all' and rule = 'symptoms' and {OVER_ALL}
            """,
    }
)

# Whatever a rule asks, it looks at the very courses and eyes that our own rules look at.
COURSES_OF_RULES = same_count_at(
    {
        "looked_at": f"""
            select rule as key, courses as counted
            from {{batch}}
            where cohort = 'all' and {OVER_ALL}
            """,
        "mature": """
            select rules.rule as key, count(*) as counted
            from defined.rules as rules
            inner join courses.responses as responses on rules.unit = responses.unit
            where responses.is_mature and responses.rule in ('symptoms', 'tear_film')
            group by 1
            """,
    }
)


def declarations(release: Release) -> tuple[Declaration, ...]:
    """The declarations for a release; none where nothing was defined."""
    if not release.definitions.is_dir():
        return ()
    below = release.settings.privacy.hide_counts_below
    return (
        *(declaration for table in TABLES for declaration in of_table(table)),
        _program("courses_of_cohorts_kept", "defined.cohorts", COURSES_OF_COHORTS),
        _program("courses_of_rules_kept", "defined.response_by_definition", COURSES_OF_RULES),
        Declaration(
            "cohorts_large_enough",
            f"Each cohort that the group defined has at least {below} mature courses.",
            f"A cohort that the group defined has fewer than {below} mature courses.",
            "Its rates say little, and such counts are hidden on whatever leaves a clinic "
            "(definition 17). Ask for less in its file in definitions/, wait for more courses, or "
            "take it away with `lidcohort define --remove NAME`.",
            Severity.WARN,
            "defined.cohorts",
            none_in(
                "select cohort as key, mature_courses from {batch} "
                f"where mature_courses < {below}"
            ),
            rows_at_least=0,
        ),
        Declaration(
            "rules_apply",
            f"Each response rule that the group defined can judge at least {below} mature courses "
            "or eyes.",
            f"A response rule that the group defined can judge fewer than {below} mature courses "
            "or eyes.",
            "Its rates say little. See whether the clinics measure what it compares, and whether "
            "its bands hold the baselines that they find.",
            Severity.WARN,
            "defined.rules",
            none_in(
                f"""
                select rules.rule as key, coalesce(responses.evaluable, 0) as evaluable
                from {{batch}} as rules
                left join defined.response_by_definition as responses
                    on rules.rule = responses.rule and responses.cohort = 'all' and {OVER_ALL}
                where coalesce(responses.evaluable, 0) < {below}
                """
            ),
            rows_at_least=0,
        ),
    )


def _program(slug: str, table: str, expectation: Expectation) -> Declaration:
    return Declaration(
        slug,
        "What the group defined counts the very courses that it selects.",
        "What the group defined counts other courses than it selects.",
        REPORT_THIS,
        Severity.STOP,
        table,
        expectation,
        rows_at_least=0,
    )
