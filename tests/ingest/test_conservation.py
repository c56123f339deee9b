"""Whatever stands in a file, every row is accepted, refused, or repeats another (hypothesis)."""

import gzip
import tempfile
from collections import Counter
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.contract import KINDS, Kind
from pipeline.workspace import Workspace
from tests.ingest import invented
from tests.ingest.invented import SECRET, SOUND, Exports, as_csv

ODD_TEXTS = [
    "", " ", "nan", "-1", "1e3", "1e400", "+5", "7,3", "2026-03-04", "2026-02-30", "1999-01-01",
    "9999-12-31", "right", "both", "osdi", "yes", "all", "unknown", "none", "burn", "é", "'", "0",
]  # fmt: skip
TEXT = st.sampled_from(ODD_TEXTS) | st.text(
    st.characters(codec="utf-8", exclude_characters='\0\r\n"'), max_size=12
)


@st.composite
def files(draw, kind: Kind) -> list[list[dict[str, str]]]:
    """Up to three files of rows, of which some repeat, some share a key, some are faulty."""
    columns = list(SOUND[kind.name])
    row = st.dictionaries(st.sampled_from(columns), TEXT, max_size=3).map(
        lambda changes: SOUND[kind.name] | changes
    )
    own = row | row.map(lambda cells: cells | {columns[0]: f"id{len(str(cells))}"})
    return draw(st.lists(st.lists(own, max_size=6), min_size=1, max_size=3))


def is_blank(row: dict[str, str]) -> bool:
    return not any(cell.strip() for cell in row.values())


@given(st.data(), st.sampled_from(KINDS))
@settings(max_examples=150, deadline=None)
def test_every_row_is_accounted_for(data, kind):
    contents = data.draw(files(kind))
    with tempfile.TemporaryDirectory() as folder:
        exports = Exports(Workspace(Path(folder), invented.settings(), SECRET))
        for number, rows in enumerate(contents):
            path = exports.folder() / f"{kind.name}-{number}.csv"
            path.write_text(as_csv(rows, list(SOUND[kind.name])), encoding="utf-8")
        report = exports.read()
        accepted, refused = exports.accepted(kind.name), exports.refused(kind.name)

        counted = report.files.filter(~report.files["file_refused"])
        kept = Counter(accepted["source_file"])
        for name, rows_read, stored in counted.select("file", "rows_read", "accepted").rows():
            number = int(name.split("-")[1].split(".")[0])
            assert rows_read == sum(not is_blank(row) for row in contents[number])
            assert stored == kept[name]
        assert (
            counted["rows_read"]
            == counted["accepted"] + counted["refused"] + counted["exact_repeats"]
        ).all()
        assert accepted.height == counted["accepted"].sum()
        assert refused.height == counted["refused"].sum()
        assert accepted.schema == kind.stored_schema
        grain = accepted.select(kind.stored_grain)
        assert grain.null_count().sum_horizontal()[0] == 0
        assert grain.is_unique().all()


SOUND_FILE = as_csv(
    [SOUND["patients"] | {"patient_id": f"P{n}"} for n in range(5)], list(SOUND["patients"])
)


@st.composite
def damaged(draw) -> bytes:
    """A sound file with some of its bytes replaced, or bytes of no sense at all."""
    content = bytearray(SOUND_FILE.encode())
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(content)))
        content[at : at + draw(st.integers(0, 6))] = draw(
            st.sampled_from([b'"', b",", b"\n", b"\r", b"\0", b"\xff", b"\xc3\xbc", b"@", b"\n\n"])
            | st.binary(max_size=4)
        )
    return draw(st.just(bytes(content)) | st.binary(max_size=200))


@given(damaged(), st.sampled_from([".csv", ".csv.gz", ".parquet"]), st.booleans())
@settings(max_examples=300, deadline=None)
def test_any_bytes_are_read_or_refused(content, ending, packed):
    with tempfile.TemporaryDirectory() as folder:
        exports = Exports(Workspace(Path(folder), invented.settings(), SECRET))
        if ending == ".csv.gz" and packed:
            content = gzip.compress(content)
        exports.write_bytes(f"patients{ending}", content)
        file = exports.read().files.row(0, named=True)
        accounted = file["accepted"] + file["refused"] + file["exact_repeats"]
        assert file["rows_read"] == accounted
        assert file["rows_read"] == 0 or not file["file_refused"]
        assert bool(file["file_reason"]) == file["file_refused"]
