from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

from ingest import IngestReport, ingest
from ingest.contract import KINDS, Reason
from pipeline.settings import read_settings
from pipeline.workspace import Workspace
from synthetic_data.faults import faults_of
from tests.synthetic_data.conftest import SHARE, Group, read

CELL = ["site", "batch", "kind", "column_name", "reason"]
FILE = ["site", "batch", "kind", "file"]


def ingested(group: Group, store: Path) -> IngestReport:
    (store / "group.toml").write_bytes((group.root / "group.toml").read_bytes())
    (store / "exports").symlink_to(group.root / "exports")
    return ingest(Workspace(store, read_settings(store / "group.toml"), b"an invented secret"))


@pytest.fixture(scope="module")
def report(faulty: Group, tmp_path_factory: pytest.TempPathFactory) -> IngestReport:
    return ingested(faulty, tmp_path_factory.mktemp("store"))


def test_every_reason_is_planted(faulty: Group) -> None:
    assert set(faulty.truth("planted_faults")["reason"].drop_nulls()) == {r.value for r in Reason}


def test_every_kind_has_refused_and_flagged_rows(faulty: Group) -> None:
    planted = faulty.truth("planted_faults")
    roles = planted.group_by("kind").agg(pl.col("role").unique())
    for kind, found in roles.iter_rows():
        assert {"refused", "flagged"} <= set(found), kind
    repeated = set(planted.filter(role="repeated")["kind"])
    assert repeated >= {kind.name for kind in KINDS} - {"adverse_events"}  # a handful of rows


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_faults_follow_the_contract(kind: object) -> None:
    faults = faults_of(kind)  # type: ignore[arg-type]
    required = {c.name for c in kind.columns if c.required}  # type: ignore[attr-defined]
    missing = {f.cell for f in faults if f.reason is Reason.MISSING}
    assert missing == required
    assert {f.cell for f in faults if not f.refuses} & required <= {"temp_c"}


def test_ingest_refuses_exactly_what_was_planted(faulty: Group, report: IngestReport) -> None:
    planted = faulty.truth("planted_fault_counts").filter(role="refused")
    found = report.refused_reasons.group_by(CELL).agg(pl.col("rows", "would_have_replaced").sum())
    assert planted["would_have_replaced"].sum() > 0
    assert counts(found, "rows", "would_have_replaced") == counts(
        planted, "rows", "would_have_replaced"
    )


def test_ingest_flags_exactly_what_was_planted(faulty: Group, report: IngestReport) -> None:
    planted = faulty.truth("planted_fault_counts").filter(
        pl.col("role").is_in(["flagged", "averaged"])
    )
    found = report.flagged_values.group_by(CELL).agg(rows=pl.col("flagged").sum())
    assert counts(found, "rows") == counts(planted, "rows")


def counts(table: pl.DataFrame, *names: str) -> dict[tuple[str, ...], tuple[int, ...]]:
    return {
        tuple(row[name] for name in CELL): tuple(row[name] for name in names)
        for row in table.iter_rows(named=True)
    }


def test_every_file_holds_what_the_truth_says(faulty: Group, report: IngestReport) -> None:
    told = faulty.truth("files").select(
        *FILE,
        "rows",
        "accepted",
        "refused",
        exact_repeats=pl.col("exact_repeats") + pl.col("averaged"),
    )
    found = report.files.select(*FILE, "rows_read", "accepted", "refused", "exact_repeats")
    assert found.sort(FILE).rows() == told.sort(FILE).rows()


def test_harms_in_refused_rows_are_told(faulty: Group, report: IngestReport) -> None:
    told = faulty.truth("refused_harms").select(*FILE, "row", "event")
    found = report.refused_harms.select(
        "site", "batch", "kind", file="source_file", row="source_row", event="event"
    )
    assert {"sessions", "adverse_events"} == set(told["kind"])
    assert sorted(found.rows()) == sorted(told.rows())


def test_harms_are_lowered_and_withdrawn(faulty: Group) -> None:
    changed = faulty.truth("changed_harms")
    assert set(changed["how"]) == {"lowered", "withdrawn"}
    for row in changed.filter(kind="sessions", site="alder").iter_rows(named=True):
        newer = read(faulty.root / "exports/alder" / row["batch"] / "sessions.csv").filter(
            session_id=row["session_id"], eye=row["eye"]
        )
        assert set(newer["adverse_event"]) == {"none"}
        assert row["event"] != "none"


def test_a_clean_group_has_nothing_to_refuse(clean: Group, tmp_path: Path) -> None:
    report = ingested(clean, tmp_path)
    assert report.files["refused"].sum() == 0
    assert set(report.flagged_values["reason"]) == {Reason.AVERAGED.value}
    assert report.refused_harms.is_empty()
    planted = clean.truth("planted_faults")
    assert set(planted["role"]) == {"averaged"}


def test_the_share_of_faults_is_as_asked(faulty: Group) -> None:
    files = faulty.truth("files").filter(
        pl.col("kind").is_in(["outcomes", "visits"]), pl.col("site") != "elm"
    )
    planted = faulty.truth("planted_faults").filter(
        pl.col("kind").is_in(["outcomes", "visits"]),
        pl.col("site") != "elm",
        pl.col("reason").ne_missing(Reason.UNKNOWN_COLUMN.value),
    )
    rows = planted.select(*FILE, "row").unique().height
    assert rows / files["rows"].sum() == pytest.approx(SHARE, rel=0.1)


def faulty_and_clean(
    faulty: Group, clean: Group
) -> Iterator[tuple[str, pl.DataFrame, pl.DataFrame]]:
    """Each file without its planted rows, and the clean one, with flagged cells emptied in both."""
    planted = faulty.truth("planted_faults")
    for site, batch, kind, path in faulty.files():
        marks = planted.filter(site=site, batch=batch, file=path.name)
        columns = [column.name for column in kind.columns]
        rows = read(path).select(columns).with_row_index("row", 2)
        extra = marks.filter(pl.col("role").is_in(["refused", "repeated"]))["row"]
        rows = rows.filter(~pl.col("row").cast(pl.Int64).is_in(extra.implode()))
        expected = read(clean.root / path.relative_to(faulty.root)).with_columns(row=rows["row"])
        for mark in marks.filter(pl.col("column_name").is_in(columns), role="flagged").iter_rows(
            named=True
        ):
            blank = pl.when(pl.col("row") != mark["row"]).then(mark["column_name"])
            rows, expected = (
                table.with_columns(blank.alias(mark["column_name"])) for table in (rows, expected)
            )
        yield path.name, rows.select(columns), expected.select(columns)


def test_faults_are_added_to_what_clean_exports_hold(faulty: Group, clean: Group) -> None:
    compared = 0
    for name, rows, expected in faulty_and_clean(faulty, clean):
        assert rows.equals(expected), name
        compared += rows.height
    assert compared > 10_000
