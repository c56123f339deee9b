"""`lidcohort map`: what it shows, when it writes, and that it never writes over anything."""

import json
import tomllib

import pytest

from pipeline.errors import WrongUse
from pipeline.proposal import propose_mapping

VISITS = (
    "Visit No;Patient No;Date of Visit;Reason;Age\n"
    "v1;p1;25.02.2026;assessment;61\nv2;p2;03.02.2026;review;72\n"
)


@pytest.fixture
def sample(root):
    path = root / "visits-alder.csv"
    path.write_text(VISITS)
    return path


def test_it_shows_a_proposal_that_is_a_mapping(lidcohort, sample, capsys):
    assert lidcohort("map", "alder", str(sample)) == 0
    shown = capsys.readouterr().out
    mapping = tomllib.loads(shown)
    assert mapping["dates"] == "dd.mm.yyyy"
    assert mapping["visits"]["columns"]["visit_id"] == "Visit No"
    assert "# CSV, UTF-8, semicolons; the first rows as they would land:" in shown
    assert "2026-02-25 | 2026-02-03" in shown


def test_it_writes_where_there_is_none_and_never_over_one(lidcohort, sample, root, capsys):
    assert lidcohort("map", "alder", str(sample), "--write") == 0
    written = (root / "mappings" / "alder.toml").read_bytes()
    assert tomllib.loads(written.decode())["delimiter"] == ";"
    assert lidcohort("map", "alder", str(sample), "--write") == 2
    assert "alder.toml is there already." in capsys.readouterr().err
    assert lidcohort("map", "alder", str(sample)) == 0
    assert (root / "mappings" / "alder.toml").read_bytes() == written


def test_for_programs(lidcohort, sample, capsys):
    assert lidcohort("map", "alder", str(sample), "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert tomllib.loads(told["mapping"])["delimiter"] == ";"
    assert told["preview"].startswith("CSV, UTF-8, semicolons")


def test_a_kind_that_the_name_does_not_tell(root, sample):
    other = sample.rename(root / "alder.csv")
    with pytest.raises(WrongUse, match=r"alder\.csv begins with no kind of export"):
        propose_mapping(root, "alder", other, None, write=False)
    with pytest.raises(WrongUse, match="visit is no kind"):
        propose_mapping(root, "alder", other, "visit", write=False)
    assert "[visits.columns]" in propose_mapping(root, "alder", other, "visits", write=False).lines


def test_what_it_is_asked_must_be_there(root, sample):
    with pytest.raises(WrongUse, match=r"aldr is no site of group\.toml; did you mean 'alder'"):
        propose_mapping(root, "aldr", sample, None, write=False)
    with pytest.raises(WrongUse, match="no file"):
        propose_mapping(root, "alder", root / "visits-x.csv", None, write=False)
