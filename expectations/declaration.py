"""What a declared expectation is: what must hold, what is said and done if not, on which rows."""

from dataclasses import dataclass

from great_expectations.expectations.core.expect_column_values_to_be_between import (
    ExpectColumnValuesToBeBetween,
)
from great_expectations.expectations.core.unexpected_rows_expectation import (
    UnexpectedRowsExpectation,
)
from great_expectations.expectations.expectation import Expectation
from great_expectations.expectations.row_conditions import RowConditionType

from expectations.report import SHOWN_AT_MOST, Severity

KEY = "key"  # the column that names a row to people
FOUND = "found"  # how many rows a query found, of which it returns the first
REPORT_THIS = "It is a fault of the program, not of the data; report it with this page."


@dataclass(frozen=True)
class Declaration:
    """One expectation on one table, `schema.table` or a plain name.

    `description` says what must hold, `finding` what was found where it does not, and `next_step`
    what to do then; all three are sentences, and the places found follow the second.
    `rows_at_least` guards against a check that passes because there was nothing to check.
    """

    slug: str
    description: str
    finding: str
    next_step: str
    severity: Severity
    table: str
    expectation: Expectation
    rows_at_least: int = 1


def within(
    column: str,
    low: float | None = None,
    high: float | None = None,
    when: RowConditionType = None,
) -> Expectation:
    """No value of a column, null aside, lies outside the limits in rows that meet `when`."""
    return ExpectColumnValuesToBeBetween(
        column=column, min_value=low, max_value=high, row_condition=when
    )


def none_in(query: str) -> Expectation:
    """A query over `{batch}`, with a column `key`, finds no row; the first 20 by key are read."""
    return UnexpectedRowsExpectation(
        unexpected_rows_query=(
            f"select *, count(*) over () as {FOUND} from ({query}) as offending "
            f"order by {KEY} limit {SHOWN_AT_MOST}"
        )
    )
