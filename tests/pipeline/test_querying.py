"""`lidcohort query`: questions are answered from the release, and nothing else happens."""

import csv
import json
from pathlib import Path

import polars as pl
import pytest

from pipeline.commands import obey

FORMULA = "'=1+1'"


@pytest.fixture(scope="module")
def ask(demo_workspace, tmp_path_factory):
    """`ask(arguments...)`: the exit status of a question to the demo."""
    root = str(demo_workspace.root)
    return lambda *arguments: obey(["query", *arguments, "--workspace", root])


@pytest.fixture
def told(ask, capsys):
    """`told(sql)`: the error that a question ends with, which is one line."""

    def answer(*arguments: str) -> str:
        capsys.readouterr()
        assert ask(*arguments) == 2
        shown = capsys.readouterr()
        assert shown.out == ""
        assert shown.err.count("\n") == 1
        return shown.err

    return answer


def everything(root: Path) -> dict[str, tuple[int, int]]:
    return {str(path): (path.lstat().st_size, path.lstat().st_mtime_ns) for path in root.rglob("*")}


def test_a_question_is_answered_as_a_table(ask, capsys):
    assert ask("select site, 0.123456789e0 as share, null as gone from cohorts.site_comparison "
               "where site = 'alder' limit 1") == 0  # fmt: skip
    assert capsys.readouterr().out.splitlines() == [
        "site      share  gone",
        "alder  0.123457  null",
    ]


def test_programs_get_json(ask, capsys):
    assert ask("select 1 as one, 'a' as two", "--json") == 0
    answer = json.loads(capsys.readouterr().out)
    assert (answer["columns"], answer["rows"], answer["is_cut"]) == (
        ["one", "two"],
        [[1, "a"]],
        False,
    )


def test_a_long_answer_is_cut_on_the_terminal_only(ask, capsys, tmp_path):
    assert ask("from range(100)") == 0
    assert (
        capsys.readouterr().out.splitlines()[-1] == "Only the first 40 rows; --out FILE writes all."
    )
    assert ask("from range(100)", "--out", str(tmp_path / "all.parquet")) == 0
    assert pl.read_parquet(tmp_path / "all.parquet").height == 100


def test_a_csv_has_no_formula_and_is_for_its_owner(ask, tmp_path):
    out = tmp_path / "own.csv"
    assert ask(f"select {FORMULA} as text, -1.5 as number, date '2026-01-31' as day, null as gone",
               "--out", str(out)) == 0  # fmt: skip
    assert out.stat().st_mode & 0o077 == 0
    rows = list(csv.reader(out.read_text("utf-8-sig").splitlines()))
    assert rows == [["text", "number", "day", "gone"], ["'=1+1", "-1.5", "2026-01-31", ""]]


def test_a_file_that_is_there_is_replaced_only_if_told(ask, told, tmp_path):
    out = tmp_path / "own.csv"
    out.write_text("mine")
    assert "is there already" in told("select 1", "--out", str(out))
    assert out.read_text() == "mine"
    assert ask("select 1 as one", "--out", str(out), "--replace") == 0
    assert "one" in out.read_text("utf-8-sig")


def test_methods_answer_for_rows_named_in_the_question(ask, capsys):
    assert ask("with mine as (from courses.responses where rule = 'symptoms') select n "
               "from clustered_rate('mine', 'all', outcome = 'responder')") == 0  # fmt: skip
    assert int(capsys.readouterr().out.split()[-1]) > 100


WRITES = [
    "create table cohorts.mine as select 1 as one",
    "create temp table mine as select 1 as one",
    "drop table cohorts.safety",
    "update cohorts.safety set events = 0",
    "copy (select 1) to '{inputs}/out.csv'",
    "with x as (copy (select 1) to '{inputs}/out.csv') from x",
    "with x as (copy (select 1) to '{out}') from x",
    "explain analyze copy (select 1) to '{out}'",
    "export database '{out}'",
    "attach '{out}' as mine",
    "attach ':memory:' as mine",
    "select 1; select 2",
    "set enable_external_access = true",
    "install httpfs",
    "",
    "from read_text('{secret}')",
    "from read_csv('{secret}')",
    "from '{secret}'",
    "from glob('{inputs}/**')",
    "from read_parquet('{inputs}/settings/sites.parquet')",
    "from read_json('http://127.0.0.1:9/x')",
    "from enable_logging()",
    "from staging.stg_visits",
]


@pytest.mark.parametrize("sql", WRITES)
def test_nothing_is_written_and_no_file_read(told, demo_release, tmp_path, sql):
    secret = tmp_path / "secret.csv"
    secret.write_text("hidden\nvery\n")
    before = everything(demo_release.root)
    said = told(sql.format(inputs=demo_release.inputs, out=tmp_path / "out.csv", secret=secret))
    assert "very" not in said
    assert everything(demo_release.root) == before
    assert [path.name for path in tmp_path.iterdir()] == ["secret.csv"]


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("selec 1", 'syntax error at or near "selec"'),
        ("select sit from cohorts.safety", 'Referenced column "sit" not found'),
        ("select cast('x' as int)", "Could not convert string 'x'"),
        ("from response_by_grad", "did you mean 'cohorts.response_by_grade'?"),
        ("from cohorts.safty", "did you mean 'cohorts.safety'?"),
        ("from kaplan_meier('safety', site)", "does not support the supplied arguments"),
    ],
)
def test_a_wrong_question_gets_one_clear_line(told, sql, said):
    assert said in told(sql)


def test_a_table_is_explained_by_either_name(ask, told, capsys):
    for name in ("safety", "cohorts.safety"):
        assert ask("--explain-table", name) == 0
        lines = capsys.readouterr().out.splitlines()
        assert lines[0].startswith("cohorts.safety: One row per site, protocol, month")
        assert lines[1].startswith("Population: ")
        assert any(
            line.startswith("rate_low") and "events per 100 sessions" in line for line in lines
        )
    assert "did you mean 'cohorts.safety'?" in told("--explain-table", "safty")


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("select 1", "--explain-table", "safety"),
        ("--explain-table", "safety", "--out", "x.csv"),
    ],
)
def test_one_thing_is_asked_at_a_time(told, arguments):
    assert "takes a question in SQL, or --explain-table" in told(*arguments)


def test_a_place_that_will_not_do_is_refused(told, demo_workspace, tmp_path):
    assert "ends neither in .csv nor in .parquet" in told(
        "select 1", "--out", str(tmp_path / "a.txt")
    )
    inside = demo_workspace.root / "own.csv"
    assert "lies in the workspace" in told("select 1", "--out", str(inside))
    assert not inside.exists()


def test_without_a_release_nothing_can_be_asked(root, lidcohort, capsys):
    assert lidcohort("query", "select 1") == 2
    assert "Nothing has been published yet." in capsys.readouterr().err


def test_a_release_from_before_the_catalog_says_so(root, stages, lidcohort, capsys):
    lidcohort("run")
    assert lidcohort("query", "--explain-table", "safety") == 2
    assert "made before warehouses described themselves" in capsys.readouterr().err
