"""Definitions of a group's own: what may be said, what is refused, and what comes of it."""

import os
import re
import shutil
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from dashboards.labelled import label
from expectations import Gate, check
from expectations.built.defined import declarations
from expectations.engine import evaluate
from ingest.contract import MEASURES
from models.build import PROJECT, run_dbt
from models.catalog import describe
from models.definitions import (
    TRAITS,
    Definition,
    frames,
    in_words,
    our_rules,
    parse_definition,
    read_definition,
    told,
)
from models.descriptions import grain, null_means, unit
from models.docs import BY_DEFINITION, grains
from models.previewing import preview
from pipeline.errors import WrongUse
from pipeline.workspace import Release
from tests.models.conftest import SETTINGS

RULE = """
kind = "response rule"
title = "Clearly fewer symptoms"
words = "Ten points, or 30 % of the score where that is more than mild."
measure = "osdi"
source = "common practice, no source"
[[band]]
at_least = 13
below = 33
change = 10
[[band]]
at_least = 33
percent = 30
"""
COHORT = """
kind = "cohort"
title = "Young and severe"
question = "Do the young respond as others do?"
[where]
site = ["alder", "birch"]
age_years = { at_least = 18, below = 40 }
first_date = { since = 2025-01-01, until = 2025-12-31 }
"""
OURS = {
    "as_symptoms": """
kind = "response rule"
title = "Symptoms"
words = "As ours."
measure = "osdi"
source = "Miller 2010, upper ends"
band = [{ at_least = 13, below = 33, change = 7.3 }, { at_least = 33, change = 13.4 }]
""",
    "as_tear_film": """
kind = "response rule"
title = "Tear film"
words = "As ours."
measure = "break_up_time"
source = "common practice, no source"
band = [{ below = 10, change = 2 }]
""",
    "as_glands": """
kind = "response rule"
title = "Gland's secretion; drop table courses.courses; --"
words = "As ours."
measure = "gland_secretion"
source = "common practice, no source"
band = [{ at_most = 40, change = 5 }]
""",
    "third_less": """
kind = "response rule"
title = "A third less"
words = "30 % of the score."
measure = "osdi"
source = "common practice, no source"
band = [{ at_least = 13, percent = 30 }]
""",
    "everybody": """
kind = "cohort"
title = "Everybody"
question = "Is it all of them?"
[where]
sessions = { at_least = 1 }
""",
    "nobody": """
kind = "cohort"
title = "Nobody"
question = "Is it none of them?"
[where]
age_years = { at_least = 20, at_most = 20 }
state = ["in_progress"]
baseline_osdi = { at_least = 99 }
""",
    "some": """
kind = "cohort"
title = "Some's"
question = "Does polars find the same?"
[where]
course_kind = ["first"]
symptoms_band = ["moderate", "severe"]
age_years = { at_least = 40, below = 75 }
sex = ["female"]
first_date = { since = 2025-01-01, until = 2026-03-31 }
sessions = { at_least = 2, at_most = 4 }
device = ["dev1"]
baseline_break_up_time = { below = 7 }
""",
}


def parsed(text: str) -> Definition:
    return parse_definition(tomllib.loads(text))


def refused(folder: Path, text: str, name: str = "mine.toml") -> str:
    path = folder / name
    path.write_text(text)
    with pytest.raises(WrongUse) as caught:
        read_definition(path, SETTINGS)
    said = str(caught.value)
    assert said.startswith(f"{path}: ")
    assert said.endswith("Correct it and give the command again.")
    assert "\n" not in said
    assert len(said) < 1000
    return said


def test_a_rule_becomes_rows_for_the_models() -> None:
    made = frames({"clearly": parsed(RULE)})
    assert made["rules"].rows() == [
        (
            *("clearly", 1, "Clearly fewer symptoms"),
            "Ten points, or 30 % of the score where that is more than mild.",
            *("osdi", "course", "lower", "points", "common practice, no source"),
        )
    ]
    assert made["rule_bands"].rows() == [
        ("clearly", 1, Decimal(13), Decimal(33), Decimal(10), None),
        ("clearly", 2, Decimal(33), None, None, Decimal("0.3")),
    ]
    assert made["cohorts"].is_empty()
    assert made["cohort_conditions"].is_empty()


def test_a_cohort_becomes_rows_for_the_models() -> None:
    made = frames({"young": parsed(COHORT)})
    nothing = (None, None)
    assert made["cohort_conditions"].rows() == [
        ("young", 1, "site", "alder", *nothing, *nothing),
        ("young", 2, "site", "birch", *nothing, *nothing),
        ("young", 3, "first_date", None, *nothing, date(2025, 1, 1), date(2026, 1, 1)),
        ("young", 4, "age_years", None, Decimal(18), Decimal(40), *nothing),
    ]


def test_ends_left_out_are_the_measures_own_and_at_most_is_included() -> None:
    [(_, _, at_least, below, *_)] = frames({"x": parsed(OURS["as_glands"])})["rule_bands"].rows()
    assert (at_least, below) == (Decimal(0), Decimal("40.000001"))


def test_a_definition_is_said_in_words() -> None:
    assert in_words(parsed(RULE)) == [
        "osdi at baseline from 13 below 33 points: lower by 10 points or more",
        "osdi at baseline from 33 points: lower by 30 % of it or more",
    ]
    assert in_words(parsed(COHORT)) == [
        "site, the clinic, by its code in group.toml: alder or birch",
        "first_date, when it began: from 2025-01-01 to 2025-12-31",
        "age_years, as a visit up to the first session says: from 18 below 40 years",
    ]


@pytest.mark.parametrize("text", [RULE, COHORT, *OURS.values()])
def test_a_manifest_gives_the_definition_back(text: str) -> None:
    definition = parsed(text)
    assert parse_definition(told({"x": definition})["x"]) == definition


def test_the_examples_of_the_readme_are_accepted() -> None:
    text = (PROJECT.parent / "README.md").read_text("utf-8")
    blocks = re.findall(r"```toml\n(.+?)```", text, re.DOTALL)
    examples = [parsed(block) for block in blocks if "kind = " in block]
    assert [example.kind for example in examples] == ["response rule", "cohort"]


def test_the_readme_lists_what_a_cohort_may_ask() -> None:
    text = (PROJECT.parent / "README.md").read_text("utf-8")
    [listed] = re.findall(r"^`\[where\]` takes (.+?)\. Of sessions", text, re.MULTILINE)
    named = set(re.findall(r"`(\w+)`", listed))
    assert named - {"baseline_", "home_care_minutes_per_day"} == {
        name for name in TRAITS if not name.startswith("baseline_") or name == "baseline_osdi"
    }
    assert {f"baseline_{one.name}" for one in MEASURES} <= {*TRAITS}


WRONG_RULES = {
    "an unknown key": ('words = "', 'word = "', "unknown key word; did you mean 'words'?"),
    "no kind": ('kind = "response rule"', "", "kind is missing"),
    "another kind": ("response rule", "response rul", "did you mean 'response rule'?"),
    "a kind that is no text": ('kind = "response rule"', "kind = ['a']", "kind: "),
    "an unknown measure": ('"osdi"', '"osdy"', "'osdy' is no measure; did you mean 'osdi'?"),
    "no source": ('source = "common practice, no source"', "", "source is missing"),
    "an empty source": ('"common practice, no source"', '" "', "source: must not be empty"),
    "a long title": ("Clearly fewer", "C" * 200, "title: has 209 characters, more than 80"),
    "a title of two lines": ("Clearly fewer", "Clearly\\nfewer", "cannot be seen"),
    "a title that moves the cursor": ("Clearly", "\\u001b[2J", "cannot be seen"),
    "no band": (RULE[RULE.index("[[band]]") :], "", "band is missing"),
    "no list of bands": (RULE[RULE.index("[[band]]") :], "band = 3", "written as [[band]]"),
    "a band's unknown key": ("below = 33", "belo = 33", "did you mean 'below'?"),
    "a band that asks nothing": ("change = 10", "", "must say one of change and percent"),
    "a band that asks twice": ("change = 10", "change = 10\npercent = 5", "one of change and"),
    "a change of nothing": ("change = 10", "change = 0", "band #1.change"),
    "a change beyond the measure": ("change = 10", "change = 101", "no osdi changes by 101"),
    "a change in words": ("change = 10", 'change = "10; drop table x"', "must be a number"),
    "a change that is no number": ("change = 10", "change = nan", "band #1.change"),
    "a change of many places": ("change = 10", "change = 0.1234567", "more than 6 places"),
    "a percentage of many places": ("percent = 30", "percent = 33.33333", "more than 4 places"),
    "no percentage": ("percent = 30", "percent = 0", "band #2.percent"),
    "too high a percentage": ("percent = 30", "percent = 1001", "at most 1000"),
    "bands that overlap": ("below = 33", "below = 33.1", "two bands hold the same baselines"),
    "an open band below another": ("below = 33\n", "", "two bands hold the same baselines"),
    "an empty band": ("below = 33", "below = 13", "no number is at least 13"),
    "two upper ends": ("below = 33", "below = 33\nat_most = 32", "both below and at_most"),
    "a band outside the measure": ("below = 33", "below = 133", "133 lies outside osdi"),
}
WRONG_COHORTS = {
    "an unknown key": ("question", "qestion", "did you mean 'question'?"),
    "an unknown trait": ("age_years", "age_year", "did you mean 'age_years'?"),
    "a trait made of SQL": ("site =", '"1=1); drop table x --" =', "unknown key"),
    "nothing asked": (COHORT[COHORT.index("site =") :], "", "[where] asks nothing"),
    "no section": (COHORT[COHORT.index("[where]") :], "where = 1", "must be a section [where]"),
    "an unknown clinic": ('"birch"', '"brich"', "'brich' is not in group.toml; did you mean"),
    "an unknown protocol": ("site =", "protocol = ['five']\nsite =", "'five' is not in group.toml"),
    "a clinic made of SQL": ('"birch"', '"b\' or 1=1 --"', "is not in group.toml"),
    "an unknown code": ("site =", "sex = ['femal']\nsite =", "did you mean 'female'?"),
    "a code twice": ('"birch"', '"alder"', "'alder' is given twice"),
    "no code": ('["alder", "birch"]', "[]", "must be a list of codes"),
    "a code that is a number": ('["alder", "birch"]', "[1]", "must be a list of codes"),
    "many codes": (
        *('["alder", "birch"]', "[" + ", ".join(["'a'"] * 101) + "]"),
        "lists more than 100 codes",
    ),
    "a device made of SQL": ("site =", "device = ['a; --']\nsite =", "is no code"),
    "a range that is a number": ("{ at_least = 18, below = 40 }", "18", "must be written like"),
    "a range without ends": ("{ at_least = 18, below = 40 }", "{}", "must say at_least"),
    "an age beyond its range": ("below = 40", "below = 400", "400 lies outside 0 to 120"),
    "a range's unknown key": ("below = 40", "under = 40", "unknown key where.age_years.under"),
    "days the wrong way round": ("since = 2025", "since = 2027", "is after until 2025-12-31"),
    "a day that is none": ("since = 2025-01-01", "since = 'June'", "is no date"),
    "days without ends": (
        *("{ since = 2025-01-01, until = 2025-12-31 }", "{}"),
        "must say since or until",
    ),
    "a day that is a number": ("{ since = 2025-01-01, until = 2025-12-31 }", "3", "written like"),
}


@pytest.mark.parametrize(("old", "new", "said"), WRONG_RULES.values(), ids=WRONG_RULES)
def test_a_wrong_rule_is_refused_in_one_line(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in RULE
    assert said in refused(tmp_path, RULE.replace(old, new))


@pytest.mark.parametrize(("old", "new", "said"), WRONG_COHORTS.values(), ids=WRONG_COHORTS)
def test_a_wrong_cohort_is_refused_in_one_line(
    tmp_path: Path, old: str, new: str, said: str
) -> None:
    assert old in COHORT
    assert said in refused(tmp_path, COHORT.replace(old, new))


@pytest.mark.parametrize("text", [RULE, COHORT])
def test_the_unchanged_ones_are_not(tmp_path: Path, text: str) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(text)
    definition, content = read_definition(path, SETTINGS)
    assert (definition, content) == (parsed(text), text.encode())


@pytest.mark.parametrize(
    "name",
    [
        *("Mine.toml", "my rule.toml", "a'; drop table x.toml", "é.toml", f"{'a' * 41}.toml"),
        *("1st.toml", "mine.sql", ".toml", "all.toml", "unknown.toml", "symptoms.toml"),
        *("tear_film.toml", "{{ 7 }}.toml", "a\nb.toml"),
    ],
)
def test_a_name_is_neither_odd_nor_taken(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_text(RULE)
    with pytest.raises(WrongUse, match="name"):
        read_definition(path, SETTINGS)


def test_names_of_ours_are_read_from_the_seed() -> None:
    assert our_rules() == {"symptoms", "tear_film", "glands"}


def test_what_the_group_leaves_out_cannot_be_asked_for(tmp_path: Path) -> None:
    privacy = SETTINGS.privacy.model_copy(update={"leave_out": ("age_years",)})
    path = tmp_path / "mine.toml"
    path.write_text(COHORT)
    with pytest.raises(WrongUse, match=re.escape("leaves its values out ([privacy] leave_out)")):
        read_definition(path, SETTINGS.model_copy(update={"privacy": privacy}))


@pytest.fixture(scope="module")
def defined(demo_release: Release, tmp_path_factory: pytest.TempPathFactory) -> Release:
    """The demo's warehouse with everything above defined in it."""
    root = tmp_path_factory.mktemp("defined") / "release"
    release = replace(demo_release, root=root)
    shutil.copytree(demo_release.inputs, release.inputs, copy_function=os.link)
    release.definitions.mkdir()
    release.warehouse.write_bytes(demo_release.warehouse.read_bytes())
    definitions = {name: parsed(text) for name, text in sorted(OURS.items())}
    for name, frame in frames(definitions).items():
        frame.write_parquet(release.definitions / f"{name}.parquet")
    report = run_dbt(release, "build", "--select", "defined", "--exclude", "test_type:unit")
    assert {node.status for node in report.nodes} == {"success", "pass"}
    return release


@pytest.fixture
def warehouse(defined: Release) -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect(str(defined.warehouse), read_only=True) as connection:
        yield connection


@pytest.mark.parametrize("rule", ["symptoms", "tear_film", "glands"])
def test_a_rule_that_repeats_one_of_ours_gives_its_figures(
    warehouse: duckdb.DuckDBPyConnection, rule: str
) -> None:
    for ours, theirs in (
        (
            f"select * exclude (rule) from cohorts.response_by_grade where rule = '{rule}'",
            "select * exclude (cohort, rule) from defined.response_by_definition "
            f"where cohort = 'all' and rule = 'as_{rule}'",
        ),
        (
            f"select * exclude (rule) from cohorts.response_at_session where rule = '{rule}'",
            "select * exclude (cohort, rule) from defined.session_response_by_definition "
            f"where cohort = 'all' and rule = 'as_{rule}'",
        ),
        (
            f"select * exclude (rule) from courses.responses where rule = '{rule}'",
            f"select * exclude (rule) from defined.rule_responses where rule = 'as_{rule}'",
        ),
    ):
        meant, found = (warehouse.sql(f"{sql} order by all").pl() for sql in (ours, theirs))
        assert meant.height > 100
        assert_frame_equal(found, meant, check_exact=True)


@pytest.mark.parametrize(
    ("ours", "theirs"),
    zip(("response_by_grade", "response_at_session"), BY_DEFINITION, strict=True),
)
def test_a_cohort_of_everybody_has_the_figures_of_all(
    warehouse: duckdb.DuckDBPyConnection, ours: str, theirs: str
) -> None:
    meant = warehouse.sql(f"from cohorts.{ours} order by all").pl()
    found = warehouse.sql(
        f"select * exclude (cohort) from defined.{theirs} where cohort = 'everybody' "
        "and rule in ('symptoms', 'tear_film', 'glands') order by all"
    ).pl()
    assert_frame_equal(found, meant, check_exact=True)


def test_its_grain_is_known_to_whoever_compares(
    warehouse: duckdb.DuckDBPyConnection,
) -> None:
    for table in BY_DEFINITION:
        assert {*grains()[table]} <= {*warehouse.sql(f"from defined.{table}").columns}


def some_courses(warehouse: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """The cohort `some`, worked out in polars from the tables it is about."""

    def table(name: str) -> pl.DataFrame:
        return warehouse.sql(f"from {name}").pl()

    courses, visits = table("courses.courses"), table("staging.stg_visits")
    before = courses.select("course_id", "site", "patient_key", "first_date").join(
        visits, on=["site", "patient_key"]
    )
    before = before.filter(pl.col("visit_date") <= pl.col("first_date"))
    latest = {
        name: before.filter(pl.col(name).is_not_null())
        .sort("visit_date", "visit_key")
        .group_by("course_id")
        .last()
        .select("course_id", name)
        for name in ("age_years", "sex")
    }
    with_dev1 = table("courses.session_eyes").filter(pl.col("device") == "dev1")
    short = table("courses.evaluations").filter(
        (pl.col("measure") == "break_up_time")
        & (pl.col("evaluation") == "baseline")
        & (pl.col("value") < 7)
    )
    return (
        courses.join(latest["age_years"], on="course_id")
        .join(latest["sex"], on="course_id")
        .filter(
            pl.col("course_kind") == "first",
            pl.col("symptoms_band").is_in(["moderate", "severe"]),
            pl.col("age_years").is_between(40, 74),
            pl.col("sex") == "female",
            pl.col("first_date").is_between(date(2025, 1, 1), date(2026, 3, 31)),
            pl.col("sessions").is_between(2, 4),
        )
        .join(with_dev1, on="course_id", how="semi")
        .join(short, on="course_id", how="semi")
    )


def test_a_cohort_holds_what_polars_finds(warehouse: duckdb.DuckDBPyConnection) -> None:
    meant = some_courses(warehouse)
    found = warehouse.sql("from defined.cohort_courses where cohort = 'some'").pl()
    assert 3 <= meant.height < 100
    assert set(found["course_id"]) == set(meant["course_id"])
    counted = warehouse.sql(
        "select courses, mature_courses, patients, sites from defined.cohorts where cohort = 'some'"
    ).fetchall()
    assert counted == [
        (
            *(meant.height, meant["is_mature"].sum()),
            *(meant["patient_key"].n_unique(), meant["site"].n_unique()),
        )
    ]


def test_a_cohorts_response_is_that_of_its_courses(
    warehouse: duckdb.DuckDBPyConnection,
) -> None:
    responses = warehouse.sql("from courses.responses where is_mature").pl()
    of_some = responses.join(some_courses(warehouse), on="course_id", how="semi")
    meant = of_some.group_by("rule").agg(
        courses=pl.len(),
        responders=(pl.col("outcome") == "responder").sum(),
        evaluable=pl.col("outcome").is_in(["responder", "unchanged", "worsened"]).sum(),
    )
    found = warehouse.sql(
        "select rule, courses, responders, evaluable from defined.response_by_definition "
        "where cohort = 'some' and rule in ('symptoms', 'tear_film', 'glands') "
        "and grading = 'symptoms' and grade = 'all' and site = 'all' and protocol = 'all' "
        "and course_kind = 'all' and period = 'all'"
    ).pl()
    assert_frame_equal(
        found, meant, check_row_order=False, check_column_order=False, check_dtypes=False
    )


def test_nothing_of_ours_changes_whatever_is_defined(
    defined: Release, demo_release: Release
) -> None:
    def figures(release: Release) -> list[tuple[Any, ...]]:
        with duckdb.connect(str(release.warehouse), read_only=True) as connection:
            return connection.sql("from cohorts.protocol_comparison order by all").fetchall()

    assert figures(defined) == figures(demo_release)


def test_the_gate_passes_and_says_which_cohort_is_too_small(defined: Release) -> None:
    report = check(defined, Gate.BUILT)
    assert not report.stopped
    [small] = [one for one in report.warnings if one.expectation == "cohorts_large_enough"]
    assert small.offending[0].startswith("nobody (mature courses 0)")
    assert not any("everybody" in place for place in small.offending)
    assert "`lidcohort define --remove NAME`" in small.next_step
    assert "rules_apply" not in {one.expectation for one in report.warnings}


SPOILED = """
update defined.response_by_definition set unchanged = unchanged + 1
where cohort = 'everybody' and grade = 'severe';
update defined.response_by_definition set response_rate = rate_high + 0.1
where cohort = 'everybody' and grade = 'mild';
update defined.cohorts set mature_courses = mature_courses - 1 where cohort = 'everybody';
delete from defined.response_by_definition where cohort = 'all' and rule = 'third_less';
update defined.session_response_by_definition set treated = begun + 1
where cohort = 'everybody' and grade = 'severe';
update defined.session_response_by_definition set share_low = response_share + 0.1
where cohort = 'everybody' and grade = 'mild';
delete from defined.session_response_by_definition where cohort = 'all' and session_number = 1;
"""


def test_each_expectation_on_definitions_can_be_broken(defined: Release, tmp_path: Path) -> None:
    spoiled = tmp_path / "spoiled.duckdb"
    shutil.copy(defined.warehouse, spoiled)
    with duckdb.connect(str(spoiled)) as connection:
        connection.execute(SPOILED)
    declared = declarations(defined)
    results = evaluate(Gate.BUILT, declared, spoiled)
    assert {one.expectation for one in results if not one.success} == {one.slug for one in declared}


def test_where_nothing_is_defined_nothing_is_declared(demo_release: Release) -> None:
    assert declarations(demo_release) == ()


def test_what_is_defined_is_described_and_shown_in_words(defined: Release) -> None:
    label(defined)
    describe(defined)
    with duckdb.connect(str(defined.warehouse), read_only=True) as connection:
        tables = connection.sql(
            "select table_name, comment from duckdb_tables() where schema_name = 'defined'"
        ).fetchall()
        columns = connection.sql(
            "select column_name, comment, data_type from duckdb_columns() "
            "where schema_name = 'defined' or table_name like '%_by_definition'"
        ).fetchall()
        words = connection.sql(
            'select distinct "Cohort", "Rule" from labelled.response_by_definition'
        ).fetchall()
        [(holds,)] = connection.sql(
            "select holds from catalog.schemas where schema_name = 'defined'"
        ).fetchall()
    assert len(tables) == 8
    assert [name for name, told in tables if not grain(told)] == []
    assert [name for name, told, _ in columns if not null_means(told)] == []
    numbers = [one for one in columns if one[-1].startswith(("BIGINT", "DOUBLE", "DECIMAL"))]
    assert [name for name, told, _ in numbers if not unit(told)] == []
    assert {("all courses", "A third less"), ("Some's", "Symptoms")} <= {*words}
    assert ("Everybody", "Gland's secretion; drop table courses.courses; --") in words
    assert holds.startswith("What this group defined")


@pytest.mark.parametrize("name", ["some", "as_glands"])
def test_a_preview_says_what_is_then_built(
    demo_release: Release, warehouse: duckdb.DuckDBPyConnection, name: str
) -> None:
    found = preview(demo_release, name, parsed(OURS[name]))
    if name == "some":
        [meant] = warehouse.sql(
            "select courses, mature_courses, patients, sites from defined.cohorts "
            "where cohort = 'some'"
        ).fetchall()
        judged = "cohort = 'some' and rule in ('symptoms', 'tear_film', 'glands')"
    else:
        [meant] = warehouse.sql(
            "select count(*), count(*) filter (where is_mature), count(distinct patient_key), "
            "count(distinct site) from defined.rule_responses "
            f"where rule = '{name}' and threshold is not null"
        ).fetchall()
        judged = f"cohort = 'all' and rule = '{name}'"
    evaluable = warehouse.sql(
        f"select rule, evaluable from defined.response_by_definition where {judged} "
        "and grading = 'symptoms' and grade = 'all' and site = 'all' and protocol = 'all' "
        "and course_kind = 'all' and period = 'all'"
    ).fetchall()
    assert (found.selected, found.mature, found.patients, found.clinics) == meant
    assert dict(found.evaluable) == dict(evaluable)
    assert found.unit == ("eye" if name == "as_glands" else "course")


def test_each_trait_that_may_be_asked_for_is_looked_up(
    demo_release: Release, tmp_path: Path
) -> None:
    """And gives values of the kind that the trait's conditions are compared with."""
    report = run_dbt(
        *(demo_release, "compile", "--no-introspect"),
        *("--inline", "{{ course_traits('cohort_conditions') }}"),
    )
    asked = pl.DataFrame({"trait": list(TRAITS)})
    with duckdb.connect(str(demo_release.warehouse), read_only=True) as connection:
        connection.register("cohort_conditions", asked)
        found = connection.sql(
            "select trait, count(code) > 0, count(number) > 0, count(day) > 0 "
            f"from ({report.nodes[0].sql}) group by trait"
        ).fetchall()
    kinds = {
        name: (not trait.is_day and trait.low is None, trait.low is not None, trait.is_day)
        for name, trait in TRAITS.items()
    }
    never_measured = TRAITS.keys() - {name for name, *_ in found}
    assert all(name.startswith("baseline_") for name in never_measured)
    assert {name: tuple(kind) for name, *kind in found} == {
        name: kind for name, kind in kinds.items() if name not in never_measured
    }
