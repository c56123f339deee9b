"""Rules that several published tables obey, as queries that find the rows breaking them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

from great_expectations.expectations.expectation import Expectation

from expectations.declaration import none_in
from expectations.thresholds import ROUNDING

Columns = tuple[str, ...]


@dataclass(frozen=True)
class Share:
    """A published share with its limits; where it has none, it stands for them itself.

    `of` names the count that it is a share of, where the table has it. `at_most` is None for a
    rate per 100, which has no upper end.
    """

    share: str
    low: str
    high: str
    of: str | None = None
    at_most: int | None = 1


@dataclass(frozen=True)
class Totals:
    """Counts that add up over each of some columns, whose totals' rows read `all`."""

    over: Columns
    counts: Columns


def shares_within_limits(grain: Columns, shares: Sequence[Share]) -> Expectation:
    """0 <= low <= share <= high <= 1, and all three are null exactly where the count is 0."""
    return none_in(
        _any_of(
            f"select {_key((*grain, repr(share.share)))} as key, "
            f"{share.low} as low, {share.share} as share, {share.high} as high "
            f"from {{batch}} where {_fault_of_share(share)}"
            for share in shares
        )
    )


def totals_add_up(grain: Columns, totals: Sequence[Totals]) -> Expectation:
    """On each level of the other columns, each count over the parts equals the total's count."""
    return none_in(
        _any_of(
            f"select {_key((repr('over ' + column), *others))} as key "
            f"from {{batch}} group by {', '.join(others) or '()'} "
            f"having {_fault_of_total(column, counts)}"
            for column, others, counts in (
                (column, tuple(c for c in grain if c != column), total.counts)
                for total in totals
                for column in total.over
            )
        )
    )


def rows_consistent(grain: Columns, rules: Sequence[str]) -> Expectation:
    """No row breaks one of the rules between its columns; a rule over a null is not judged."""
    return none_in(
        _any_of(
            f"select {_key(grain)} as key, '{rule}' as broken from {{batch}} where not ({rule})"
            for rule in rules
        )
    )


def sessions_numbered(grain: Columns) -> Expectation:
    """In each group of the grain's other columns session numbers run 1, 2, 3 without a gap."""
    others = tuple(column for column in grain if column != "session_number")
    return none_in(
        f"select {_key(others)} as key from {{batch}} group by {', '.join(others)} "
        "having min(session_number) <> 1 or max(session_number) <> count(*)"
    )


def never_rises(grain: Columns, share: str, along: str) -> Expectation:
    """A share never rises from one row to the next along one of the grain's columns."""
    others = ", ".join(column for column in grain if column != along)
    return none_in(
        f"""
        select {_key(grain)} as key, before, now
        from (
            select
                *,
                {share} as now,
                lag({share}) over (partition by {others} order by {along}) as before
            from {{batch}}
        )
        where now > before + {ROUNDING}
        """
    )


def same_count_at(steps: dict[str, str]) -> Expectation:
    """A count is the same at every step of the way; each step is a query of `key` and `counted`.

    A step that leaves a key out counts 0 there. The first step is over `{batch}`.
    """
    told = _any_of(
        f"select '{step}' as step, key, counted from ({query})" for step, query in steps.items()
    )
    counts = ", ".join(
        f"coalesce(sum(counted) filter (where step = '{step}'), 0) as {step}" for step in steps
    )
    differs = " or ".join(f"{one} <> {next_one}" for one, next_one in pairwise(steps))
    return none_in(
        f"select * from (select key, {counts} from ({told}) group by key) where {differs}"
    )


def _key(parts: Columns) -> str:
    return f"concat_ws('/', {', '.join(parts)})"


def _any_of(queries: Iterable[str]) -> str:
    return " union all ".join(queries)


def _fault_of_share(share: Share) -> str:
    columns = tuple(dict.fromkeys((share.low, share.share, share.high)))
    ends = () if share.at_most is None else (str(share.at_most),)
    out_of_order = (  # any pair: a curve's limits are null where it has fallen to 0
        f"{lower} > {upper} + {ROUNDING}"
        for lower, upper in combinations(("0", *columns, *ends), 2)
    )
    wrongly_null = (
        f"({column} is null) <> ({share.of} = 0)" for column in columns if share.of is not None
    )
    return " or ".join((*out_of_order, *wrongly_null))


def _fault_of_total(column: str, counts: Columns) -> str:
    return " or ".join(
        f"sum({count}) filter (where {column} = 'all') "
        f"is distinct from sum({count}) filter (where {column} <> 'all')"
        for count in counts
    )
