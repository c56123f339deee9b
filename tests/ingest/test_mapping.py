"""Mapping files: what may be said in one, and in what words a slip is told."""

from pathlib import Path

import pytest

from ingest.contract import KINDS, OUTCOMES, SESSIONS, VISITS
from ingest.mapping import AS_CONTRACT, Form, KindMapping, SiteMapping, parse_mapping
from pipeline.errors import WrongUse

FILE = Path("mappings/alder.toml")


def parsed(text: str) -> SiteMapping:
    return parse_mapping(text.encode(), FILE)


def refusal(text: str) -> str:
    with pytest.raises(WrongUse) as refused:
        parsed(text)
    assert refused.value.next_step == "Correct it and run again."
    return refused.value.what.removeprefix(f"{FILE}: ")


def test_every_kind_has_a_section():
    own = set(SiteMapping.model_fields) - set(Form.model_fields)
    assert own == {kind.name for kind in KINDS}


def test_no_content_is_the_contract_as_it_is():
    for kind in KINDS:
        assert parsed("").of(kind) == AS_CONTRACT == KindMapping()


def test_a_kinds_settings_stand_over_the_sites():
    mapping = parsed(
        'dates = "dd.mm.yyyy"\ndecimal = ","\n[codes.eye]\nR = "right"\nL = "left"\n'
        '[visits]\ndecimal = "."\n[sessions.codes.eye]\nOD = "right"\n'
        '[sessions.codes.lids]\noben = "upper"'
    )
    assert mapping.of(VISITS).decimal == "."
    assert mapping.of(VISITS).dates == "dd.mm.yyyy"
    assert mapping.of(OUTCOMES).decimal == ","
    assert mapping.of(OUTCOMES).codes == {"eye": {"R": "right", "L": "left"}}
    assert mapping.of(SESSIONS).codes == {"eye": {"OD": "right"}, "lids": {"oben": "upper"}}


@pytest.mark.parametrize(
    ("dates", "strptime"),
    [
        ("yyyy-mm-dd", None),
        ("dd.mm.yyyy", "%d.%m.%Y"),
        ("mm/dd/yyyy", "%m/%d/%Y"),
        ("yyyymmdd", "%Y%m%d"),
        ("dd/mm/yyyy hh:mm", "%d/%m/%Y %H:%M"),
        ("yyyy-mm-dd hh:mm:ss", "%Y-%m-%d %H:%M:%S"),
    ],
)
def test_dates_in_any_order(dates, strptime):
    assert parsed(f'dates = "{dates}"').of(VISITS).strptime == strptime


@pytest.mark.parametrize("dates", ["dd.mm.yy", "mm/mm/yyyy", "%d.%m.%Y", "dd.mm.yyyy hh", "", "d"])
def test_dates_in_no_order(dates):
    assert refusal(f'dates = "{dates}"') == (
        f"dates: '{dates}' is no order of a date; write it like dd.mm.yyyy, mm/dd/yyyy or "
        "yyyy-mm-dd hh:mm, with four digits for the year."
    )


REFUSED = {
    "encodng = 'utf-8'": "unknown key encodng; did you mean 'encoding'?",
    "[vists]\nencoding = 'utf-8'": "unknown key vists; did you mean 'visits'?",
    "[visits]\ncolums = {}": "unknown key visits.colums; did you mean 'columns'?",
    "[[visits.skip]]\nequal = 'x'": "unknown key visits.skip #1.equal; did you mean 'equals'?",
    "[outcomes.wide.x]\nmesure = 'osdi'": "outcomes.wide.x.measure is missing.",
    "[outcomes.wide.x]\nmeasure = 'osdi'\neyes = 'both'": (
        "unknown key outcomes.wide.x.eyes; did you mean 'eye'?"
    ),
    "encoding = 'latin'": (
        "encoding: must be 'utf-8', 'utf-16', 'utf-16-le', 'utf-16-be' or 'windows-1252', "
        "not 'latin'."
    ),
    "delimiter = '|'": "delimiter: must be ',', ';' or '\\t', not '|'.",
    "header_row = 0": "header_row: must be at least 1, not 0.",
    "header_row = '3'": "header_row: must be a whole number, not '3'.",
    "[visits.columns]\nvist_id = 'No'": (
        "visits.columns.vist_id is for no column; did you mean 'visit_id'?"
    ),
    "[visits.columns]\nvisit_id = 3": (
        "visits.columns.visit_id: must be text in quotes or a list of such, not 3."
    ),
    "[visits.columns]\nvisit_id = []": "visits.columns.visit_id: names no column.",
    "[visits.columns]\nvisit_id = ''": (
        "visits.columns.visit_id: must be text in quotes or a list of such, not ''."
    ),
    "[codes.eyes]\nOD = 'right'": "codes.eyes is for no column; did you mean 'eye'?",
    "[codes.eye]\nOD = 'rigth'": "codes.eye: 'OD' stands for 'rigth'; did you mean 'right'?",
    "[sessions.codes.eye]\nOU = 'both'": (
        "sessions.codes.eye: 'OU' stands for 'both'; known are left, right."
    ),
    "[sessions.codes.minutes]\nx = 'y'": (
        "sessions.codes.minutes is for no column; known are adverse_event, eye, lids, protocol, "
        "purpose."
    ),
    "[codes.eye]\nod = 'right'\nOD = 'left'": "codes.eye and empty give the word 'OD' twice.",
    "[sessions.units]\nminutes = 'secs'": (
        "sessions.units.minutes: 'secs' is no unit for it; did you mean 'seconds'?"
    ),
    "[sessions.units]\npain_0_10 = 'seconds'": (
        "sessions.units.pain_0_10 is for no column; known are chair_minutes, max_temp_c, minutes, "
        "plateau_temp_c."
    ),
    "yes = ['j']\nno = ['J']": "the word 'J' stands twice among yes, no and empty.",
    "yes = ['j']\n[sessions]\nno = ['j']": (
        "sessions: the word 'j' stands twice among yes, no and empty."
    ),
    "decimal = ','\ndelimiter = ','": (
        "decimal and delimiter are both ','; one mark cannot be both."
    ),
    "decimal = ','\n[visits]\ndelimiter = ','": (
        "visits: decimal and delimiter are both ','; one mark cannot be both."
    ),
    "[visits]\ndefault_eye = 'right'": (
        "visits.default_eye: 'right' is none of its eyes; the kind has no eye."
    ),
    "[sessions]\ndefault_eye = 'both'": (
        "sessions.default_eye: 'both' is none of its eyes; known are right, left."
    ),
    "[[visits.skip]]\ncolumn = 'x'": (
        "visits.skip #1: a skip rule says one of equals, begins_with and is_empty = true."
    ),
    "[[visits.skip]]\nequals = 'x'\nbegins_with = 'y'": (
        "visits.skip #1: a skip rule says one of equals, begins_with and is_empty = true."
    ),
    "[outcomes.wide.x]\nmeasure = 'osdy'": (
        "outcomes.wide.x: 'osdy' is no measure; did you mean 'osdi'?"
    ),
    "[outcomes.wide.x]\nmeasure = 'meiboscore'": (
        "outcomes.wide.x: meiboscore is of one eye; say eye = 'right' or eye = 'left'."
    ),
    "[outcomes.wide.x]\nmeasure = 'osdi'\neye = 'left'": (
        "outcomes.wide.x: osdi has no eye 'left'; known are both."
    ),
    "[outcomes.wide.x]\nmeasure = 'osdi'": (
        "outcomes.columns.outcome_id is missing: of a wide table, it names what tells its rows "
        "apart."
    ),
    "[visits.wide.x]\nmeasure = 'osdi'": "visits.wide: only outcomes can be a wide table.",
    "[outcomes.columns]\noutcome_id = 'n'\nvalue = 'v'\n[outcomes.wide.x]\nmeasure = 'osdi'": (
        "outcomes.columns.value contradicts wide, whose columns tell the value."
    ),
    "[outcomes]\ndefault_eye = 'both'\n[outcomes.columns]\noutcome_id = 'n'\n"
    "[outcomes.wide.x]\nmeasure = 'osdi'": (
        "outcomes.default_eye contradicts wide, whose columns tell the eye."
    ),
    "[outcomes.columns]\noutcome_id = 'n'\n[outcomes.wide]\nx = {measure = 'osdi'}\n"
    "y = {measure = 'osdi'}": "outcomes.wide: 'x' and 'y' are both osdi of both.",
    "[outcomes.columns]\noutcome_id = 'n'\n[outcomes.wide]\nx = {measure = 'osdi'}\n"
    "X = {measure = 'speed'}": "outcomes.wide names the column 'X' twice.",
}


@pytest.mark.parametrize("text", REFUSED)
def test_a_slip_is_told_in_one_line(text):
    assert refusal(text) == REFUSED[text]


def test_what_is_no_toml():
    assert refusal("a = ").startswith("it is no TOML: ")


def test_what_is_no_text():
    with pytest.raises(WrongUse, match=r"it is not UTF-8 text \(byte 2\)"):
        parse_mapping(b"#\xff", FILE)


def test_a_mapping_of_no_site(exports):
    exports.write("visits", {})
    exports.map("", site="aldr")
    with pytest.raises(WrongUse, match=r"aldr\.toml is of no site .* did you mean 'alder'\?"):
        exports.read()
