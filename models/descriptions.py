"""What a description says in its fixed parts: a table's grain, a column's unit, what null means.

Descriptions of columns end the same way: what it is; its unit. What null means. Their order may
vary, their words not.
"""

import re

GRAIN = re.compile(r"One row per .+?(?=[:.](?:\s|$))")
NULL_PART = re.compile(r"(?:^|[.;,] )([Nn](?:ull|ever null)\b[^.;]*)")
CLAUSE_ENDS = re.compile(r"[.;](?:\s|$)")
COUNTED = (
    *("bands", "courses", "courses or eyes", "days", "eyes", "files", "groups", "harms"),
    *("intervals", "patients", "rows", "rows or values", "samples", "session-eyes", "sessions"),
    "values",
)
UNITS = re.compile(
    rf"""
    (?: {"|".join(name.replace(" ", "[ ]") for name in COUNTED)} ) (?: ,[ ].+ )?
    | percent | share (?: [ ]from[ ]-?\d[ ]to[ ]1 )? | from[ ]0[ ]to[ ]1
    | number[ ]from[ ]1[ ]to[ ]4
    | ratio | rank | row[ ]number | code | no[ ]unit (?: ,[ ].+ )?
    | units[ ]of[ ]the[ ] .+ | events[ ]per[ ]100[ ]sessions | mean[ ]seconds[ ]in[ ]band .*
    | points | grade | years | bytes | C | s | min | minutes | min/day | minutes[ ]a[ ]day
    | drops/day | equivalent[ ]minutes[ ]at[ ]43[ ]C
    """,
    re.VERBOSE,
)


def grain(description: str) -> str | None:
    """`One row per ...`, as far as the grain goes; None where a description does not begin so."""
    found = GRAIN.match(one_line(description))
    return found and found[0]


def unit(description: str) -> str | None:
    """The unit of a column's values, where its description names one."""
    clauses = (clause.strip() for clause in CLAUSE_ENDS.split(one_line(description)))
    return next((clause for clause in map(_plain, clauses) if UNITS.fullmatch(clause)), None)


def null_means(description: str) -> str | None:
    """When a column is null, or that it never is, where its description says so."""
    found = NULL_PART.search(one_line(description))
    return found and found[1][:1].upper() + found[1][1:]


def one_line(text: str) -> str:
    """A text as YAML folds it, without the breaks that are left."""
    return " ".join(text.split())


def _plain(clause: str) -> str:
    """A clause that may begin a sentence, in small letters; symbols of units stay as they are."""
    return clause if len(clause) == 1 else clause[:1].lower() + clause[1:]
