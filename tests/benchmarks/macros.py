"""The statistical macros over a made-up table of courses, beside a bare grouped count of it."""

import time
from collections.abc import Mapping
from statistics import median

import duckdb

from models.render import render
from tests.benchmarks.bare import MEMORY

GROUPS = 240  # 5 sites, 6 protocols, 8 grades
REPEATS = 5
BY = "{%- set by = ['site', 'protocol', 'grade'] -%}"
COUNT = (
    "select {{ by | join(', ') }}, count(*) as courses from courses group by {{ by | join(', ') }}"
)
# Two courses a patient, both in one group; all else by a hash, so that each run has the same.
COURSES = """
    create table courses as
    select
        {draws},
        number // 2 as patient_key,
        cast(1 as bigint) as n,
        'site_' || hash(hash(patient_key, 1)) % 5 as site,
        'protocol_' || hash(hash(patient_key, 2)) % 6 as protocol,
        'grade_' || hash(hash(patient_key, 3)) % 8 as grade,
        cause = 1 as event,
        10e0 * severity as baseline,
        1 + severity as standard
    from (select number, {drawn} from range({courses}) as numbers (number)) as drawn
"""
# Whole numbers from the first up to the last, as good as drawn by lot.
DRAWS = {
    "entry": (1, 30),
    "days": (31, 730),
    "cause": (0, 2),
    "arm": (0, 1),
    "severity": (0, 9),
    "band": (0, 3),
    "responders": (0, 1),
    "sessions": (1, 4),
}
# What takes counts of a group groups them in the same query, so that this is measured too.
COUNTS = """
    create view counts as
    select
        'all' as every_group,
        site,
        protocol,
        grade,
        sum(responders) as responders,
        sum(n) as n,
        sum(responders) filter (where arm = 1) as arm_responders,
        sum(n) filter (where arm = 1) as arm_n,
        sum(n) / 2e0 as expected,
        sum(responders) / sum(n) as rate
    from courses
    group by site, protocol, grade
"""
TWO_ARMS = "'courses', by, 'arm = 1', 'band'"
NOISE = "'baseline', '7.3', '34.5', '18', '0.82'"
STATEMENTS: Mapping[str, str] = {
    "Wilson": """
        select
            {{ by | join(', ') }},
            {{ wilson_low('responders', 'n') }},
            {{ wilson_high('responders', 'n') }}
        from counts
        """,
    "exact": """
        select
            {{ by | join(', ') }},
            {{ exact_low('responders', 'n') }},
            {{ exact_high('responders', 'n') }}
        from counts
        """,
    "Newcombe": """
        select
            {{ by | join(', ') }},
            {{ newcombe_low('responders', 'n', 'arm_responders', 'arm_n') }},
            {{ newcombe_high('responders', 'n', 'arm_responders', 'arm_n') }}
        from counts
        """,
    "funnel limits": "{{ funnel_limits('counts', by) }}",
    "over-dispersion": "{{ overdispersion('counts', ['every_group'], observed='responders') }}",
    "Benjamini-Hochberg": "{{ benjamini_hochberg('counts', 'rate') }}",
    "Kaplan-Meier": "{{ kaplan_meier('courses', by) }}",
    "Kaplan-Meier, clustered": "{{ kaplan_meier('courses', by, cluster='patient_key') }}",
    "Kaplan-Meier, clustered, delayed entry": """
        {{ kaplan_meier('courses', by, entry='entry', cluster='patient_key') }}
        """,
    "Aalen-Johansen": "{{ aalen_johansen('courses', by) }}",
    "Aalen-Johansen, clustered": "{{ aalen_johansen('courses', by, cluster='patient_key') }}",
    "log-rank, stratified": "{{ log_rank('courses', by, 'arm = 1', strata=['band']) }}",
    "restricted mean": """
        with curves as ({{ kaplan_meier('courses', by) }})
        select * from ({{ restricted_mean('curves', by, 365) }}) as means
        """,
    "direct standardisation": """
        {{ direct_standardisation('courses', by, 'band', 'standard') }}
        """,
    "indirect standardisation": """
        {{ indirect_standardisation('courses', ['protocol', 'grade'], stratum='band') }}
        """,
    "standardised difference": "{{ standardised_difference(" + TWO_ARMS + ") }}",
    "Mantel-Haenszel": "{{ mantel_haenszel(" + TWO_ARMS + ") }}",
    "homogeneity": "{{ homogeneity(" + TWO_ARMS + ") }}",
    "rate by noise": """
        select {{ by | join(', ') }}, avg({{ chance_improvement(NOISE) }})
        from courses
        group by {{ by | join(', ') }}
        """.replace("NOISE", NOISE),
    "by chance": "{{ by_chance('courses', by, " + NOISE + ", 'sessions') }}",
}


def macro_seconds(courses: int) -> tuple[float, dict[str, float]]:
    """Median seconds of the grouped count, and of each macro over the same courses.

    Processor seconds, of all threads: what else the machine does hardly matters to them.
    """
    with duckdb.connect() as connection:
        connection.execute(f"set memory_limit = '{MEMORY}'")
        connection.execute(courses_sql(courses))
        connection.execute(COUNTS)
        macros = {name: _median_seconds(connection, sql) for name, sql in STATEMENTS.items()}
        return _median_seconds(connection, COUNT), macros


def courses_sql(courses: int) -> str:
    drawn = ", ".join(
        f"cast({low} + hash(hash(number, {place})) % {high - low + 1} as bigint) as {column}"
        for place, (column, (low, high)) in enumerate(DRAWS.items())
    )
    return COURSES.format(courses=courses, draws=", ".join(DRAWS), drawn=drawn)


def _median_seconds(connection: duckdb.DuckDBPyConnection, query: str) -> float:
    rendered = render(BY + query)
    return median(_seconds(connection, rendered) for _ in range(REPEATS))


def _seconds(connection: duckdb.DuckDBPyConnection, query: str) -> float:
    # Written to a table, so that no column goes unread and none has to become Python.
    began = time.process_time()
    connection.execute(f"create or replace temp table answer as {query}")
    return time.process_time() - began
