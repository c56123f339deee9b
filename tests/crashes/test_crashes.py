"""The short form of `python -m tests.crashes`: one of each name rather than every step."""

import ast
from pathlib import Path

import pytest

from pipeline.durable import Step
from tests.crashes import full_disk, mutated, readers
from tests.crashes.endings import FAULTS, SIGNALS
from tests.crashes.harness import Figures, Server, reference, survey
from tests.crashes.mutations import MUTATIONS
from tests.crashes.scenarios import scenarios

PROJECT = Path(__file__).parents[2]
PACKAGES = ("dashboards", "expectations", "ingest", "models", "pipeline")
CHANGES_THE_DISK = frozenset(
    {
        *("rename", "unlink", "hardlink_to", "symlink_to", "touch", "truncate"),
        *("rmtree", "copyfile", "write_text", "write_bytes", "write_parquet", "sink_parquet"),
    }
)
NO_STEP = {  # functions that change the disk without a durable step, and why
    "dashboards/publish.py:_emptied": "before the first page and table, of an unfinished release",
    "ingest/data_package.py:write_contract": "no workspace",
    "ingest/gathering.py:_write_part": "scratch, removed by the next run",
    "ingest/gathering.py:in_order": "scratch, removed by the next run",
    "ingest/units.py:_check_and_store": "what it calls has the step",
    "models/spark.py:_seeds": "read back by the same build, in a release that is not finished",
    "pipeline/beginnings.py:demo_workspace": "invents exports; the same command makes them again",
    "pipeline/lock.py:hold": "empties the lock; a name that stays tells of a killed run",
    "pipeline/querying.py:_written": "packs in memory; what it calls has the step",
    "pipeline/remaining.py:_written": "scratch, removed by the next run",
}
OTHERS = sorted({*SIGNALS, *FAULTS} - {"kill"})
SHOWN = ("accepted", "manifest", "switch")


@pytest.fixture(scope="module")
def server():
    with Server.started() as server:
        yield server


@pytest.fixture(scope="module")
def made(server, tmp_path_factory):
    folder = tmp_path_factory.mktemp("crashes")
    return {scenario.name: scenario for scenario in scenarios(server, folder)}


def test_every_named_step_is_reached_by_some_command(server, made):
    reached = {step for scenario in made.values() for step in reference(server, scenario).steps}
    assert reached == set(Step) - {Step.FILE}  # of the demo's mark, outside a workspace's life


def test_whatever_changes_the_disk_is_a_named_step():
    found = {
        f"{path.relative_to(PROJECT)}:{function.name}"
        for package in PACKAGES
        for path in sorted((PROJECT / package).rglob("*.py"))
        for function in ast.walk(ast.parse(path.read_text()))
        if isinstance(function, ast.FunctionDef)
        and _called(function) & CHANGES_THE_DISK
        and "durable_step" not in _called(function)
    }
    assert found == set(NO_STEP)


def _called(function: ast.FunctionDef) -> set[str]:
    calls = (call.func for call in ast.walk(function) if isinstance(call, ast.Call))
    return {
        call.attr if isinstance(call, ast.Attribute) else getattr(call, "id", "") for call in calls
    }


@pytest.mark.parametrize(
    ("name", "steps"),
    [
        ("run", ("accepted", "candidate", "build", "model", "built_gate", "pages", "manifest")),
        ("run", ("switch", "prune", "record")),
        ("refused", ("failure",)),
        ("check", ("discard",)),
        ("withdraw", ()),
        (
            "forget",
            ("forgotten", "erased_record", "emptied_store", "switch", "erased_release"),
        ),
        ("forget, not made again", ("unpublish",)),
        ("rollback", ()),
        ("define", ()),
        ("define, taken away", ("definition",)),
        ("new", ()),
        ("map", ()),
    ],
)
def test_a_killed_command_leaves_the_old_or_the_new(server, made, name, steps):
    figures = Figures()
    survey(server, made[name], "kill", figures, *steps, at_each_step=False)
    assert figures.endings["kill"] >= max(1, len(steps))


@pytest.mark.parametrize("how", OTHERS)
def test_a_run_that_is_interrupted_or_meets_a_fault_leaves_the_old_or_the_new(server, made, how):
    figures = Figures()
    survey(server, made["run"], how, figures, *SHOWN, at_each_step=False)
    assert figures.endings[how] >= len(SHOWN)  # which unit is stored first is left to threads


def test_a_clock_that_steps_backwards_changes_nothing(server, made):
    survey(
        server, made["run"], "kill", Figures(), "switch", "prune", at_each_step=False, clock=True
    )


@pytest.mark.parametrize("mutation", MUTATIONS)
def test_a_protection_taken_out_is_noticed(server, made, mutation):
    assert mutated.finds(server, made["run"], mutation)


def test_a_disk_that_is_too_small_leaves_the_old_release(server, made, tmp_path):
    assert full_disk.fill(server, made["run"], tmp_path / "disk", (20, 400))


def test_readers_meet_no_error_and_no_mixed_release(server, tmp_path):
    told = readers.read_during_releases(server, tmp_path, readers=4, releases=4)
    assert told.looks > told.readers
    assert told.seen_at_most > 1
