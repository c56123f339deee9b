"""Proposals: what is sure stands, what is not is commented, and what is accepted works."""

import re
from pathlib import Path

import pytest

from ingest.batches import kind_of
from ingest.contract import KINDS, OUTCOMES, PATIENTS, VISITS
from ingest.mapping import SiteMapping, parse_mapping
from ingest.proposing import Line, Proposal, propose
from ingest.reading import read_blocks
from pipeline.errors import WrongUse
from synthetic_data import make_exports
from synthetic_data.own_forms import MAPPINGS

PROTOCOLS = ("four_fortnightly", "three_monthly")
COMMENTED = re.compile(r"^# (?=[\w\"].* = )", re.MULTILINE)


def proposed(exports, content, file="outcomes.csv", kind=OUTCOMES) -> Proposal:
    path = exports.write_bytes(file, content)
    return propose(path, kind, "alder", PROTOCOLS)


def mapping(proposal: Proposal) -> SiteMapping:
    return parse_mapping(proposal.text.encode(), Path("mappings/alder.toml"))


HEADER = b"Record;Patient;Date;Eye;Measure;Value\n"


class TestDoubt:
    def test_a_line_that_is_not_sure_is_commented(self):
        assert Line("", "a = 1", 0.8).written() == "a = 1  # 80%"
        assert Line("", "a = 1", 0.79, "why").written() == "# a = 1  # 79%: why"

    def test_dates_that_can_be_read_in_two_ways_are_for_a_person(self, exports):
        rows = b"".join(b"o%d;p1;0%d/04/2026;both;osdi;20\n" % (n, n) for n in range(1, 6))
        proposal = proposed(exports, HEADER + rows)
        assert mapping(proposal).dates is None
        for order in ("dd/mm/yyyy", "mm/dd/yyyy"):
            assert f'# dates = "{order}"  # 50%: day and month could be' in proposal.text
        assert proposal.preview.startswith(
            "As proposed, the file would be refused: The column date"
        )

    def test_dates_that_can_be_read_in_one_way_are_sure(self, exports):
        rows = b"".join(b"o%d;p1;1%d/04/2026;both;osdi;20\n" % (n, n) for n in range(1, 6))
        assert mapping(proposed(exports, HEADER + rows)).dates == "dd/mm/yyyy"

    def test_commas_that_may_part_thousands(self, exports):
        rows = b"o1;p1;2026-04-01;both;osdi;1,234\n"
        proposal = proposed(exports, HEADER + rows)
        assert mapping(proposal).decimal is None
        assert "or the comma parts thousands: decide" in proposal.text

    def test_commas_of_decimals(self, exports):
        rows = b"o1;p1;2026-04-01;both;osdi;20,5\n"
        assert mapping(proposed(exports, HEADER + rows)).decimal == ","

    def test_a_word_that_is_not_known(self, exports):
        rows = b"o1;p1;2026-04-01;OD;osdi;20\no2;p1;2026-04-01;xyz;osdi;20\n"
        proposal = proposed(exports, HEADER + rows)
        assert mapping(proposal).of(OUTCOMES).codes == {"eye": {"od": "right"}}
        assert '# "xyz" = ' in proposal.text

    def test_a_column_like_nothing(self, exports):
        content = b"visit_id,patient_id,visit_date,visit_reason,Qqq\nv1,p1,2026-03-02,course,zz\n"
        proposal = proposed(exports, content, "visits.csv", VISITS)
        assert mapping(proposal) == SiteMapping()
        assert "Qqq" not in proposal.text


class TestForm:
    def test_the_contract_needs_nothing(self, exports):
        path = exports.write("outcomes", {})
        proposal = propose(path, OUTCOMES, "alder", PROTOCOLS)
        assert mapping(proposal) == SiteMapping()
        assert "31.25" in proposal.preview

    def test_windows_1252(self, exports):
        proposal = proposed(exports, HEADER + "ö1;p1;2026-04-01;both;osdi;20\n".encode("cp1252"))
        assert mapping(proposal).encoding == "windows-1252"

    @pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
    def test_what_needs_no_encoding(self, exports, encoding):
        content = (HEADER.decode() + "ö1;p1;2026-04-01;both;osdi;20\n").encode(encoding)
        assert mapping(proposed(exports, content)).encoding is None

    def test_lines_above_the_header_and_totals_below(self, exports):
        content = b"All results\n\n" + HEADER + b"o1;p1;2026-04-01;both;osdi;20\nTotal;1;;;;\n"
        proposal = proposed(exports, content)
        assert mapping(proposal).header_row == 3
        assert mapping(proposal).outcomes.skip[0].begins_with == ("total",)

    def test_units_by_name_and_by_value(self, exports):
        content = (
            b"session_id,patient_id,session_date,eye,purpose,protocol,Plateau,Heating Seconds\n"
            b"s1,p1,2026-03-02,right,course,three_monthly,106.9,360\n"
        )
        path = exports.write_bytes("sessions.csv", content)
        proposal = propose(path, kind_of(path), "alder", PROTOCOLS)
        assert mapping(proposal).sessions.units == {
            "plateau_temp_c": "fahrenheit",
            "minutes": "seconds",
        }

    @pytest.mark.parametrize(("file", "content"), [("outcomes.csv", b""), ("outcomes.xlsx", b"x")])
    def test_what_cannot_be_read_at_all(self, exports, file, content):
        with pytest.raises(WrongUse, match=file):
            proposed(exports, content, file)


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    root = tmp_path_factory.mktemp("own")
    make_exports(root, patients=500, months=4, dirty_share=0, own_forms=True)
    return root


@pytest.mark.parametrize("site", sorted(path.stem for path in MAPPINGS.glob("*.toml")))
@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_a_proposal_parses_as_it_is(root, site, kind):
    """Whatever is sure is right: it says what the clinic's true mapping says."""
    files = sorted(
        (root / "exports" / site).glob(f"*/{kind.name}*"), key=lambda f: f.stat().st_size
    )
    if not files:
        return
    true = parse_mapping((MAPPINGS / f"{site}.toml").read_bytes(), MAPPINGS / site).of(kind)
    found = mapping(propose(files[-1], kind, site, PROTOCOLS)).of(kind)
    if kind.name != "temperatures":
        for setting in ("encoding", "delimiter", "decimal", "dates"):
            assert getattr(found, setting) in (None, getattr(true, setting)), setting
    for section in ("columns", "units", "wide"):
        own, expected = getattr(found, section), getattr(true, section)
        assert {name: expected.get(name) for name in own} == own, section


@pytest.mark.parametrize(("site", "kind"), [("dogwood", "visits"), ("dogwood", "sessions")])
def test_an_accepted_proposal_reads_as_the_true_mapping_does(root, site, kind):
    [*_, path] = sorted(
        (root / "exports" / site).glob(f"*/{kind}*"), key=lambda f: f.stat().st_size
    )
    kind = kind_of(path)
    true = parse_mapping((MAPPINGS / f"{site}.toml").read_bytes(), MAPPINGS / site).of(kind)
    found = mapping(propose(path, kind, site, PROTOCOLS)).of(kind)
    for own, expected in zip(
        read_blocks(path, kind, found), read_blocks(path, kind, true), strict=True
    ):
        assert own.rows.equals(expected.rows)


def test_what_was_commented_works_once_it_is_accepted(exports):
    """A person takes the marks away; nothing else has to be added."""
    content = (
        b"Nr;Patient;Datum;Augen;Mass;Ergebn\n"
        b"o1;p1;25.03.2026;OD;meiboscore;2\no2;p1;25.03.2026;OS;meiboscore;3\n"
    )
    proposal = proposed(exports, content)
    accepted = COMMENTED.sub("", proposal.text)
    assert accepted != proposal.text
    exports.map(accepted)
    exports.read()
    rows = exports.accepted("outcomes")
    assert rows.select("eye", "measure").rows() == [("right", "meiboscore"), ("left", "meiboscore")]


def test_a_text_that_is_no_word_is_not_written_into_a_mapping(tmp_path):
    path = tmp_path / "exports" / "alder" / "2026-03" / "patients.csv"
    path.parent.mkdir(parents=True)
    path.write_text(f"patient_id,status\nP1,gone away\nP2,{'a note ' * 7}\n")
    proposed = propose(path, PATIENTS, "alder", ("four",)).text
    assert '"gone away" = ' in proposed
    assert "a note" not in proposed
