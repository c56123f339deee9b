"""group.toml: what is accepted, and one clear line for each kind of fault."""

from datetime import date
from pathlib import Path

import pytest

from pipeline.errors import WrongUse
from pipeline.settings import (
    EXAMPLE_SETTINGS,
    Engine,
    Limits,
    Numbers,
    Privacy,
    Protocol,
    Releases,
    Settings,
    read_settings,
)

SITE = '[[site]]\ncode = "alder"\n'
PROTOCOL = '[[protocol]]\ncode = "four"\nsessions_planned = 4\n'
SMALLEST = SITE + PROTOCOL
SETTLED = '[[settled_harm]]\nsite = "alder"\nharm = "00ff-r"\ndecision = "entered twice"\n'


def read(folder: Path, text: str | bytes) -> Settings:
    path = folder / "group.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_settings(path)


def test_the_smallest_settings_have_every_default(tmp_path):
    settings = read(tmp_path, SMALLEST)

    assert settings.group.as_of == "latest"
    assert settings.numbers.course_gap_days == 120
    assert settings.privacy.hide_counts_below == 11
    assert settings.releases.keep == 12
    assert settings.site[0].exports == "changes"
    assert settings.protocol[0].maintenance_days == (180, 365)


def test_the_example_shows_every_default_as_it_is():
    example = read_settings(EXAMPLE_SETTINGS)

    assert example.numbers == Numbers()
    assert example.privacy == Privacy()
    assert example.limits == Limits()
    assert example.engine == Engine()
    assert example.releases == Releases()
    named = example.protocol[0]
    assert named == Protocol(code=named.code, label=named.label, sessions_planned=4)
    text = EXAMPLE_SETTINGS.read_text("utf-8")
    for section in (Numbers, Privacy, Limits, Releases, Protocol):
        assert all(f"\n{key} = " in text for key in section.model_fields)


def test_days_come_out_as_they_went_in_without_a_warning(tmp_path, recwarn):
    """A warning would stand on stderr of every run whose as-of date is set."""
    text = f"[group]\nas_of = 2025-06-30\n{SMALLEST}{SETTLED}decided_on = 2025-07-01\n"
    written = read(tmp_path, text).model_dump(mode="json")
    assert written["group"]["as_of"] == "2025-06-30"
    assert Settings.model_validate(written).model_dump(mode="json") == written
    assert list(recwarn) == []


@pytest.mark.parametrize("written", ["2025-06-30", '"2025-06-30"'])
def test_a_date_may_stand_bare_or_in_quotes(tmp_path, written):
    assert read(tmp_path, f"[group]\nas_of = {written}\n{SMALLEST}").group.as_of == date(
        2025, 6, 30
    )
    settled = read(tmp_path, f"{SMALLEST}{SETTLED}decided_on = {written}\n").settled_harm[0]
    assert settled.decided_on == date(2025, 6, 30)


def test_a_byte_order_mark_is_no_fault(tmp_path):
    assert read(tmp_path, b"\xef\xbb\xbf" + SMALLEST.encode()).site_codes == ("alder",)


def test_a_missing_file_names_the_command_that_makes_one(tmp_path):
    with pytest.raises(WrongUse, match=f"lidcohort new {tmp_path}"):
        read_settings(tmp_path / "group.toml")


FAULTS = {
    "no toml": ("site == 3\n", "cannot be read: .*line 1"),
    "not utf-8": (b'[group]\nname = "\xe9"\n', "is not UTF-8 text"),
    "nothing": ("", r"no \[\[site\]\] is given"),
    "no protocol": (SITE, r"no \[\[protocol\]\] is given"),
    "no site": ("site = []\n" + PROTOCOL, r"no \[\[site\]\] is given"),
    "unknown section": ("[nubmers]\n" + SMALLEST, "unknown key nubmers; did you mean 'numbers'?"),
    "unknown key": (
        "[numbers]\nbaselin_days = 9\n" + SMALLEST,
        "unknown key numbers.baselin_days; did you mean 'baseline_days'?",
    ),
    "unknown key that is near to none": (
        "[releases]\nxyz = 9\n" + SMALLEST,
        r"unknown key releases.xyz; known are keep\. Correct it",
    ),
    "unknown engine": (
        '[engine]\nname = "sparc"\n' + SMALLEST,
        "engine.name: must be 'duckdb' or 'spark', not 'sparc'",
    ),
    "a question is its own full stop": (
        "[releases]\nkep = 9\n" + SMALLEST,
        r"did you mean 'keep'\? Correct it",
    ),
    "unknown key of a protocol": (
        SMALLEST + "pric = 3\n",
        "unknown key protocol #1.pric; did you mean 'price'?",
    ),
    "quoted number": (
        '[numbers]\nbaseline_days = "90"\n' + SMALLEST,
        "numbers.baseline_days: must be a whole number, not '90'",
    ),
    "a word for a truth": (
        '[group]\ninvented = "yes"\n' + SMALLEST,
        "group.invented: must be true or false, not 'yes'",
    ),
    "truth for a number": (
        "[numbers]\nbaseline_days = true\n" + SMALLEST,
        "numbers.baseline_days: must be a whole number, not true",
    ),
    "half a day": (
        "[numbers]\nbaseline_days = 90.5\n" + SMALLEST,
        "numbers.baseline_days: must be a whole number, not 90.5",
    ),
    "text for a price": (SMALLEST + 'price = "9"\n', "protocol #1.price: must be a number"),
    "negative": ("[numbers]\nbaseline_days = -1\n" + SMALLEST, "must be at least 0, not -1"),
    "too large": ("[numbers]\ntest_retest_osdi = 1.1\n" + SMALLEST, "must be at most 1.0, not 1.1"),
    "not finite": ("[numbers]\ntest_retest_osdi = nan\n" + SMALLEST, "must be a finite number"),
    "number for a name": ("[group]\nname = 3\n" + SMALLEST, "group.name: must be text in quotes"),
    "number for a section": ("numbers = 4\n" + SMALLEST, r"must be a section \[numbers\]"),
    "single brackets": (
        '[site]\ncode = "alder"\n' + PROTOCOL,
        r"site: must be written as \[\[site",
    ),
    "text for a site": ('site = ["alder"]\n' + PROTOCOL, r"site #1: must be a section \[\[site"),
    "code missing": (SMALLEST + '[[site]]\nlabel = "Birch"\n', "site #2.code is missing"),
    "sessions missing": (SITE + '[[protocol]]\ncode = "four"\n', "sessions_planned is missing"),
    "code in capitals": (SMALLEST.replace("four", "Four"), "'Four' is no code; use up to 40"),
    "code reserved": (SMALLEST.replace("alder", "all"), "site code 'all' is reserved"),
    "code of the empty inputs": (SMALLEST.replace("alder", "none"), "site code 'none' is reserved"),
    "code of a choice": (
        SMALLEST.replace("four", "most_used"),
        "protocol code 'most_used' is reserved",
    ),
    "site twice": (SMALLEST + SITE, "site code 'alder' is given twice"),
    "protocol twice": (SMALLEST + PROTOCOL, "protocol code 'four' is given twice"),
    "unknown choice": (
        SMALLEST.replace('"alder"', '"alder"\nexports = "all"'),
        "site #1.exports: must be 'changes' or 'full', not 'all'",
    ),
    "one end": (SMALLEST + "band_c = [40.0]\n", "must hold two numbers"),
    "three ends": (SMALLEST + "band_c = [40.0, 41.0, 42.0]\n", "must hold two numbers"),
    "text for a window": (SMALLEST + 'band_c = "40-43"\n', "must be a list of two numbers"),
    "window upside down": (
        SMALLEST + "band_c = [43.0, 40.0]\n",
        "43.0 is above the upper end 40.0",
    ),
    "band over ceiling": (SMALLEST + "band_c = [40.0, 46.0]\n", "46.0, above ceiling_c = 45.0"),
    "spacing over gap": (SMALLEST + "spacing_days = [10, 121]\n", "up to 121 days, more than"),
    "follow-up over gap": (
        "[numbers]\nfollowup_days = 121\n" + SMALLEST,
        "followup_days = 121 exceeds course_gap_days = 120",
    ),
    "target outside": (
        "[numbers]\ntarget_day = 13\n" + SMALLEST,
        "target_day = 13 lies outside settle_days = 14 to followup_days = 120",
    ),
    "no such date": ('[group]\nas_of = "2025-13-01"\n' + SMALLEST, "'2025-13-01' is no date"),
    "time of day": ("[group]\nas_of = 2025-06-30T12:00:00\n" + SMALLEST, "is no date"),
    "number for a date": ("[group]\nas_of = 20250630\n" + SMALLEST, "20250630 is no date"),
    "latest for a decision": (SMALLEST + SETTLED + 'decided_on = "latest"\n', "is no date"),
    "unknown reference": (
        '[group]\nreference_protocol = "fuor"\n' + SMALLEST,
        "'fuor' is no protocol's code; did you mean 'four'?",
    ),
    "harm at no site": (
        SMALLEST + SETTLED.replace("alder", "aldr") + "decided_on = 2025-06-30\n",
        "names the site 'aldr', which is no site's code; did you mean 'alder'?",
    ),
    "harm settled twice": (
        SMALLEST + 2 * (SETTLED + "decided_on = 2025-06-30\n"),
        "settles '00ff-r' of site 'alder' twice",
    ),
    "a cluster without its kind": (
        '[engine]\nmaster = "head:7077"\n' + SMALLEST,
        "engine.master: 'head:7077' is nothing that Spark runs on; use local",
    ),
    "no thread": ('[engine]\nmaster = "local[0]"\n' + SMALLEST, "is nothing that Spark runs on"),
    "empty decision": (
        SMALLEST + SETTLED.replace("entered twice", "") + "decided_on = 2025-06-30\n",
        "settled_harm #1.decision: must not be empty",
    ),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_one_clear_line(tmp_path, fault):
    text, message = FAULTS[fault]
    with pytest.raises(WrongUse, match=message) as refusal:
        read(tmp_path, text)

    assert str(tmp_path / "group.toml") in refusal.value.what
    assert "\n" not in str(refusal.value)
    assert refusal.value.exit_status == 2


def test_the_number_of_further_faults_is_said(tmp_path):
    text = "[numbers]\nbaseline_days = -1\nsettle_days = -1\n" + SMALLEST
    with pytest.raises(WrongUse, match=r"not -1 \(and 1 more\)\."):
        read(tmp_path, text)


@pytest.mark.parametrize(
    ("section", "line"),
    [
        ("numbers", "followup_days = 120"),
        ("numbers", "target_day = 14"),
        ("numbers", "test_retest_osdi = 1"),
        ("group", 'reference_protocol = "four"'),
        ("privacy", "hide_counts_below = 1"),
        ("engine", 'name = "spark"'),
        ("engine", 'master = "spark://head:7077"'),
        ("engine", 'master = "local[*]"'),
        ("engine", 'master = "local"'),
        ("engine", 'master = "yarn"'),
        ("engine", 'master = "k8s://https://head:443"'),
        ("releases", "keep = 1"),
    ],
)
def test_values_at_an_allowed_edge_are_accepted(tmp_path, section, line):
    settings = read(tmp_path, f"[{section}]\n{line}\n{SMALLEST}")
    key, _, value = line.partition(" = ")
    assert str(getattr(getattr(settings, section), key)).removesuffix(".0") == value.strip('"')


def test_a_protocol_at_its_own_edges_is_accepted(tmp_path):
    edges = "spacing_days = [0, 120]\nband_c = [45, 45.0]\nceiling_c = 45\nminutes = [5, 5]\n"
    protocol = read(tmp_path, SMALLEST + edges).protocol[0]
    assert (protocol.band_c, protocol.spacing_days) == ((45.0, 45.0), (0, 120))
