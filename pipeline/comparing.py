"""Two releases side by side: which published figures moved, by how much, and what caused it."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import polars.selectors as cs

from models.docs import BY_DEFINITION, grains
from pipeline import release as releases
from pipeline.errors import WrongUse, cut, in_short
from pipeline.files import write_whole
from pipeline.readers import held
from pipeline.seal import WAREHOUSE_FILE
from pipeline.spreadsheets import for_spreadsheets
from pipeline.standing import NOTHING_YET, current
from pipeline.taking_away import new_file
from pipeline.voice import Answer
from pipeline.workspace import Workspace

SHOWN_FIGURES = 20
SHOWN_FILES = 20
EQUAL_WITHIN = 1e-9
TOTALS = pl.col("place").str.count_matches("=all")
PATIENT = "patient_key"  # a list of patients is no figure
UNIT = ("site", "batch", "kind")
NO_TABLE = pl.DataFrame()
MOVED = pl.Schema(
    {
        **dict.fromkeys(("table", "place", "figure"), pl.String()),
        **dict.fromkeys(("before", "after", "change"), pl.Float64()),
    }
)


def compare(
    workspace: Workspace,
    before: str | None,
    after: str | None,
    out: Path | None,
    *,
    replace: bool,
) -> Answer:
    """Compare two releases: the current one with the one made before it, unless they are named.

    One name alone is compared with the current release.

    Raises:
        WrongUse: there is no such release, or nothing may be written at that place; nothing is
            written then.
    """
    target = new_file(workspace.root, out, out.name, replace=replace) if out else None
    later = _named(workspace, after) if after else _read_now(workspace)
    earlier = _named(workspace, before) if before else _made_before(workspace, later)
    with _held(earlier) as told_before, _held(later) as told_after:
        moved, left_out = _figures(earlier, later)
        causes = _causes(told_before, told_after)
    if target:
        content = for_spreadsheets([moved.columns, *moved.rows()])
        write_whole(target, content, mode=0o600)
    return Answer(
        "\n".join(_lines(earlier, later, moved, left_out, causes, target)),
        {
            "outcome": "compared",
            "before": earlier.name,
            "after": later.name,
            "moved": moved.height,
            "tables": dict(moved.group_by("table").len().sort("table").rows()),
            "not_compared": left_out,
            "causes": causes,
            **({"file": target} if target else {}),
        },
    )


def _read_now(workspace: Workspace) -> Path:
    root = current(workspace.root)
    if root is None:
        raise WrongUse(NOTHING_YET, f"`lidcohort run --workspace {workspace.root}` publishes.")
    return root


def _made_before(workspace: Workspace, later: Path) -> Path:
    made = releases.newest_first(workspace)
    older = made[made.index(later) + 1 :] if later in made else []
    if not older:
        raise WrongUse(f"{later.name} is the oldest release that is kept.", "Name another one.")
    return older[0]


def _named(workspace: Workspace, name: str) -> Path:
    made = {root.name: root for root in releases.newest_first(workspace)}
    if name not in made:
        raise WrongUse(f"{name} is no release that is kept.", f"Kept are {in_short(list(made))}.")
    return made[name]


@contextmanager
def _held(root: Path) -> Iterator[dict[str, Any]]:
    """A release's manifest; the release is not pruned meanwhile."""
    with held(root) as is_there:
        manifest = releases.read_manifest(root) if is_there else None
        if manifest is None:
            raise WrongUse(f"{root.name} has just been removed.", "Give the command again.")
        yield manifest


def _figures(earlier: Path, later: Path) -> tuple[pl.DataFrame, list[str]]:
    """Every published figure that differs, and the tables that only one of the two has so."""
    moved, left_out = [MOVED.to_frame()], []
    before, after = _tables(earlier), _tables(later)
    for name, grain in grains().items():
        if PATIENT in grain:
            continue
        old, new = before.get(name, NO_TABLE), after.get(name, NO_TABLE)
        if {*grain} <= {*old.columns} & {*new.columns}:
            moved.append(moved_figures(name, old, new, grain))
        elif name in before or name in after:
            left_out.append(name)
    return pl.concat(moved), left_out


def _tables(root: Path) -> dict[str, pl.DataFrame]:
    with duckdb.connect(str(root / WAREHOUSE_FILE), read_only=True) as warehouse:
        names = warehouse.sql(
            "select schema_name, table_name from duckdb_tables() "
            "where schema_name = 'cohorts' "
            f"or schema_name = 'defined' and table_name in {BY_DEFINITION} order by all"
        ).fetchall()
        return {name: warehouse.sql(f"from {schema}.{name}").pl() for schema, name in names}


def moved_figures(
    table: str, before: pl.DataFrame, after: pl.DataFrame, grain: list[str]
) -> pl.DataFrame:
    """The figures of a table that are no longer what they were, a row each, totals first.

    A figure of a row that only one of the two has counts as null in the other.
    """
    columns = set(before.select(cs.numeric()).columns) & set(after.select(cs.numeric()).columns)
    figures = [name for name in after.columns if name in columns and name not in grain]
    joined = before.join(after, on=grain, how="full", coalesce=True, suffix=" after")
    place = pl.concat_str(
        [pl.format(f"{name}={{}}", pl.col(name)) for name in grain], separator=", "
    )
    rows = [
        joined.select(
            pl.lit(table).alias("table"),
            place.alias("place"),
            pl.lit(figure).alias("figure"),
            pl.col(figure).cast(pl.Float64).alias("before"),
            pl.col(f"{figure} after").cast(pl.Float64).alias("after"),
        )
        for figure in figures
    ]
    changed = pl.col("after") - pl.col("before")
    came_or_went = pl.col("before").is_null() != pl.col("after").is_null()
    return (
        pl.concat([MOVED.to_frame().drop("change"), *rows])
        .with_columns(changed.alias("change"))
        .filter(came_or_went | (pl.col("change").abs() > EQUAL_WITHIN))
        .sort(TOTALS, "place", "figure", descending=[True, False, False])
    )


def _causes(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """What went in that differs: files as site/batch/kind, definitions, settings, the program."""
    files = (
        {"/".join(unit[part] for part in UNIT): unit["digest"] for unit in told["units"]}
        for told in (before, after)
    )
    defined = (told.get(releases.DEFINITIONS, {}) for told in (before, after))
    others = {
        f"as of {after['as_of']} instead of {before['as_of']}": "as_of",
        "group.toml": "settings",
        "another version of the program": "code",
    }
    return [
        *_differing(*files, come="new", gone="gone", changed="read otherwise"),
        *_differing(
            *defined, come="defined", gone="not defined any more", changed="defined otherwise"
        ),
        *(told for told, part in others.items() if before.get(part) != after.get(part)),
    ]


def _differing(
    old: Mapping[str, Any], new: Mapping[str, Any], *, come: str, gone: str, changed: str
) -> Iterator[str]:
    """What came, went and changed, by name, each with its word."""
    for word, names in (
        (come, new.keys() - old.keys()),
        (gone, old.keys() - new.keys()),
        (changed, {name for name in old.keys() & new.keys() if old[name] != new[name]}),
    ):
        yield from (f"{word}: {name}" for name in sorted(names))


def _lines(
    earlier: Path,
    later: Path,
    moved: pl.DataFrame,
    left_out: list[str],
    causes: list[str],
    target: Path | None,
) -> Iterator[str]:
    tables = moved.group_by("table").len().sort("len", "table", descending=[True, False])
    yield (
        f"From {earlier.name} to {later.name} {moved.height:,} figures moved, in "
        f"{tables.height} tables."
    )
    yield from (f"  {name}: {count:,}" for name, count in tables.iter_rows())
    if moved.height:
        by_totals = moved.sort(TOTALS, descending=True, maintain_order=True).head(SHOWN_FIGURES)
        yield "Totals first:"
        for row in by_totals.iter_rows(named=True):
            yield f"  {row['table']}.{row['figure']} ({row['place']}): {_change(row)}"
        if moved.height > SHOWN_FIGURES:
            yield f"  and {moved.height - SHOWN_FIGURES:,} more; --out FILE writes all"
    if left_out:
        yield f"Not compared, as only one of the two has them so: {in_short(left_out)}"
    shown, more = cut(causes, SHOWN_FILES)
    yield "What went in that differs:" if causes else "Nothing that went in differs."
    yield from (f"  {cause}" for cause in shown)
    if more:
        yield f"  and {more:,} more"
    if target:
        yield f"Wrote {target}, which only you may read, with full counts."


def _change(row: Mapping[str, Any]) -> str:
    before, after = (
        "nothing" if row[part] is None else f"{row[part]:.6g}" for part in ("before", "after")
    )
    by = "" if row["change"] is None else f" ({row['change']:+.6g})"
    return f"{before} -> {after}{by}"
