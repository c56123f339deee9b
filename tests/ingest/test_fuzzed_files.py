"""Files spoilt at random: each is read to its end or refused in one line, and no row is lost.

A short run at every test, always with the same examples; the strategies also serve longer ones.
"""

import gzip
import io
from datetime import date

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.batches import Batch, Export
from ingest.checking import check_unit
from ingest.checks import Judge
from ingest.contract import KINDS_BY_NAME
from ingest.keys import Rekeying
from ingest.mapping import AS_CONTRACT
from ingest.units import prove_conservation
from tests.ingest.invented import SECRET, SOUND, as_csv

FUZZED = ("visits", "sessions", "outcomes", "temperatures")
TOKENS = [
    *(b",", b'"', b'""', b"\n", b"\r", b"\r\n", b"\0", b";", b"\t", b" ", b"\xef\xbb\xbf"),
    *(b"\xff", b"\xc3", b"\xed\xa0\x80", b"\xf0\x9f\x91\x81", b"\xe2\x80\x8b", b"\xff\xfe"),
    *(b"1e309", b"nan", b"-inf", b"-0", b"0x1F", b"1,000", b"9" * 40, b"0." + b"1" * 40),
    *(b"0202-01-01", b"2026-02-30", b"+99999-01-01", b"=1+1", b"@", b"<b>", b"';--"),
    *(b"PAR1", b"\x1f\x8b", b"\x80" * 9, b"\x7f\xff\xff\xff", b"x" * 5000),
]


def kept_rows(kind: str) -> list[dict[str, str]]:
    key = next(iter(SOUND[kind]))
    return [SOUND[kind] | {key: f"K{n}"} for n in range(4)]


def sound_file(kind: str, ending: str) -> bytes:
    rows = kept_rows(kind)
    text = as_csv(rows, list(rows[0])).encode()
    if ending == "csv.gz":
        return gzip.compress(text, mtime=0)
    if ending == "parquet":
        target = io.BytesIO()
        pl.DataFrame(rows).write_parquet(target, compression="uncompressed")  # bare to every spoil
        return target.getvalue()
    return text


SPOILS = st.lists(
    st.tuples(
        st.integers(0, 1 << 16),  # where, turned about the length
        st.integers(0, 12),  # bytes that are taken away
        st.one_of(st.sampled_from(TOKENS), st.binary(max_size=6)),
    ),
    min_size=1,
    max_size=6,
)
FILES = st.tuples(
    st.sampled_from(FUZZED), st.sampled_from(["csv", "csv", "csv.gz", "parquet"]), SPOILS
)


def spoilt(content: bytes, spoils: list[tuple[int, int, bytes]], repack: bool) -> bytes:
    """A file with some of its bytes taken away and others put in; `repack`: of what gzip holds."""
    if repack:
        content = gzip.decompress(content)
    for at, gone, put in spoils:
        start = at % (len(content) + 1)
        content = content[:start] + put + content[start + gone :]
    return gzip.compress(content, mtime=0) if repack else content


def read(folder, kind: str, ending: str, content: bytes) -> str | None:
    """Check one file as a unit; why it was refused as a whole, if it was."""
    path = folder / "exports" / "alder" / "2026-03" / f"{kind}.{ending}"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    batch = Batch("alder", "2026-03", date(2026, 3, 1), date(2026, 3, 31), 1, path.parent)
    export = Export(batch, KINDS_BY_NAME[kind], (path,))
    judge = Judge(export.kind, batch.last_day, ("four_fortnightly",))
    checked = check_unit(export, judge, AS_CONTRACT, Rekeying(SECRET), None)
    prove_conservation(export, checked.account)
    accepted = checked.accepted.collect()
    assert accepted.schema == export.kind.stored_schema
    (file,) = checked.account["files"]
    assert accepted.height == file["accepted"]
    return file["file_reason"]


def prove_read_or_refused(folder, kind, ending, spoils):
    inside = ending == "csv.gz" and spoils[0][0] % 2 == 0
    reason = read(folder, kind, ending, spoilt(sound_file(kind, ending), spoils, inside))
    assert reason is None or (reason.endswith(".") and "\n" not in reason)


@settings(
    max_examples=200,
    derandomize=True,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(FILES)
def test_a_spoilt_file_is_read_or_refused(tmp_path, file):
    prove_read_or_refused(tmp_path, *file)


@pytest.mark.parametrize("ending", ["csv", "csv.gz", "parquet"])
@pytest.mark.parametrize("kind", FUZZED)
def test_what_is_spoilt_was_sound(tmp_path, kind, ending):
    assert read(tmp_path, kind, ending, sound_file(kind, ending)) is None
