"""The flow: its order, and `current` as before whatever goes wrong."""

import errno
import json
import os
import signal
import stat
import tomllib
from datetime import date
from importlib.metadata import version
from pathlib import Path

import polars as pl
import pytest

from expectations import Gate, Severity
from ingest.withdrawn import Withdrawal, write_withdrawn
from models.build import BuildFailed
from pipeline import history
from pipeline import release as releases
from pipeline.workspace import Workspace, key_file

AFRESH = (
    "Put that key back; `lidcohort rekey` makes a new one. If it is lost: start afresh in a new "
    "workspace, as README.md tells."
)
STAGES = ("ingest", "arrival", "build", "built", "record", "label", "describe", "publish")


def raising(error):
    def fail():
        raise error

    return fail


def full_disk():
    raise OSError(errno.ENOSPC, "No space left on device")


def full_disk_in_words():
    raise BuildFailed(["safety: IO Error: Could not write: No space left on device"])


def full_disk_at_the_end_of_a_file():
    raise pl.exceptions.ComputeError("parquet: Invalid thrift: transport error")


def press_ctrl_c():
    os.kill(os.getpid(), signal.SIGINT)


def press_ctrl_c_in_a_library_that_swallows_it():
    try:
        os.kill(os.getpid(), signal.SIGINT)
    except KeyboardInterrupt:
        raise BuildFailed(["dbt gave no reason"]) from None


def ask_to_end():
    os.kill(os.getpid(), signal.SIGTERM)


def folders(root):
    return sorted(path.name for path in (root / "releases").iterdir())


def test_stages_come_in_their_order_and_current_is_switched(stages, lidcohort, current, capsys):
    assert lidcohort("run") == 0
    assert stages.called == [
        "ingest",
        "arrival",
        "build",
        "built",
        "record",
        "label",
        "describe",
        "publish",
    ]
    assert current().startswith("2025-06-30-")
    lines = capsys.readouterr().out.splitlines()
    assert lines[-1].endswith("current/dashboards/index.html")
    assert [line.split()[0] for line in lines[:-3]] == [
        "ingest",
        "inputs",
        "arrival",
        "build",
        "built",
        "catalog",
        "publish",
        "release",
    ]


def test_check_goes_up_to_the_arrival_gate_and_publishes_nothing(stages, lidcohort, current, root):
    assert lidcohort("check") == 0
    assert stages.called == ["ingest", "arrival"]
    assert current() is None
    assert folders(root) == []


def test_check_leaves_a_published_release_alone(stages, lidcohort, current):
    lidcohort("run")
    before = current()
    assert lidcohort("check") == 0
    assert current() == before


def test_the_manifest_says_what_went_in_and_what_came_out(stages, lidcohort, root):
    stages.fail(Gate.ARRIVAL, Severity.WARN)
    lidcohort("run")
    manifest = json.loads((root / "current" / "manifest.json").read_text())

    assert manifest["as_of"] == "2025-06-30"
    assert manifest["units"] == [
        {"site": "alder", "batch": "2025-06", "kind": "visits", "digest": "0" * 64}
    ]
    assert manifest["settings"]["numbers"]["course_gap_days"] == 120
    assert manifest["settings"]["group"]["as_of"] == "2025-06-30"
    assert manifest["versions"]["duckdb"] == version("duckdb")
    assert {"lidcohort", "dbt-core", "polars", "great-expectations"} < manifest["versions"].keys()
    assert manifest["rows"] == {"cohorts.safety": 1}
    assert [(gate["gate"], gate["success"]) for gate in manifest["gates"]] == [("arrival", False)]


def test_manifests_of_equal_runs_differ_in_what_is_of_a_run_alone(
    stages, lidcohort, root, monkeypatch
):
    lidcohort("run")
    first = json.loads((root / "current" / "manifest.json").read_text())
    releases.remove((root / "current").resolve())
    lidcohort("run")
    second = json.loads((root / "current" / "manifest.json").read_text())
    for own in ("finished_at", "warehouse", "digest"):
        assert first.pop(own)
        assert second.pop(own)
    assert first == second


def test_releases_and_stores_are_for_their_owner_only(stages, lidcohort, root):
    lidcohort("run")
    for folder in ("accepted", "quarantine", "releases"):
        assert stat.S_IMODE((root / folder).stat().st_mode) == 0o700


def test_nothing_new_is_said_and_done_again_is_nothing(stages, lidcohort, current, capsys):
    lidcohort("run")
    before = current()
    stages.called.clear()
    capsys.readouterr()

    assert lidcohort("run") == 0
    assert stages.called == ["ingest"]
    assert current() == before
    assert "Nothing new since the last release" in capsys.readouterr().out


def test_new_bytes_make_a_new_release(stages, lidcohort, current):
    lidcohort("run")
    before = current()
    stages.digest = "1" * 64
    lidcohort("run")
    assert current() != before


def test_new_numbers_make_a_new_release_and_keep_does_not(stages, lidcohort, root, current):
    lidcohort("run")
    before = current()
    settings = root / "group.toml"
    settings.write_text("[releases]\nkeep = 3\n" + settings.read_text())
    lidcohort("run")
    assert current() == before
    settings.write_text("[numbers]\nbaseline_days = 60\n" + settings.read_text())
    lidcohort("run")
    assert current() != before


def test_a_release_made_before_is_pointed_at_again(stages, lidcohort, current, capsys):
    lidcohort("run")
    first = current()
    stages.digest = "1" * 64
    lidcohort("run")
    stages.digest = "0" * 64
    stages.called.clear()
    assert lidcohort("run") == 0
    assert (current(), stages.called) == (first, ["ingest"])
    assert f"{first} was complete already" in capsys.readouterr().out


def test_as_of_on_the_command_line_goes_before_group_toml(root):
    workspace = Workspace.open(root)
    assert workspace.as_of(None).settings.group.as_of == "latest"
    assert workspace.as_of(date(2025, 5, 31)).settings.group.as_of == date(2025, 5, 31)


def test_older_releases_go_and_the_current_one_never_does(stages, lidcohort, root, current):
    settings = root / "group.toml"
    settings.write_text("[releases]\nkeep = 2\n" + settings.read_text())
    names = []
    for number in range(5):
        stages.digest = str(number) * 64
        lidcohort("run")
        names.append(current())
        manifest = root / "current" / "manifest.json"
        content = json.loads(manifest.read_text())
        manifest.write_text(
            json.dumps(content | {"finished_at": f"2025-07-0{number + 1}T00:00:00+00:00"})
        )
    assert folders(root) == sorted(names[-3:])

    stages.digest = "2" * 64  # an old one becomes current: it stays, whatever its age
    lidcohort("run")
    assert current() == names[2]
    assert folders(root) == sorted(names[-3:])


@pytest.mark.parametrize("stage", STAGES)
@pytest.mark.parametrize(
    ("fault", "said"),
    [
        (raising(RuntimeError("a slip")), "Something went wrong that should not: RuntimeError"),
        (full_disk, "The disk is full. Free some space"),
        (press_ctrl_c, "Interrupted. Run the same command again"),
        (ask_to_end, "Interrupted. Run the same command again"),
    ],
)
def test_whatever_breaks_current_is_as_before(
    stages, lidcohort, root, current, capsys, stage, fault, said
):
    lidcohort("run")
    before, manifest = current(), (root / "current" / "manifest.json").read_bytes()
    capsys.readouterr()
    stages.digest = "1" * 64
    stages.before[stage] = fault

    assert lidcohort("run") == 1

    told = capsys.readouterr().err.strip()
    assert told.startswith(f"Error: {said}")
    assert told.endswith(f"People still read {before}.")
    assert "\n" not in told
    assert current() == before
    assert (root / "current" / "manifest.json").read_bytes() == manifest

    stages.before.clear()
    assert lidcohort("run") == 0
    assert current() != before
    assert folders(root) == sorted([before, current()])


@pytest.mark.parametrize(
    ("step", "fault"),
    [("finish", full_disk), ("finish", press_ctrl_c), ("switch", full_disk)],
)
def test_the_last_steps_may_break_too(stages, lidcohort, current, monkeypatch, step, fault):
    lidcohort("run")
    before = current()
    stages.digest = "1" * 64
    with monkeypatch.context() as broken:
        broken.setattr(releases, step, lambda *_: fault())
        assert lidcohort("run") == 1
    assert current() == before
    assert lidcohort("run") == 0
    assert current() != before


def test_ctrl_c_that_a_library_swallows_still_ends_the_run(stages, lidcohort, current, capsys):
    stages.before["build"] = press_ctrl_c_in_a_library_that_swallows_it
    assert lidcohort("run") == 1
    assert "Interrupted." in capsys.readouterr().err
    assert current() is None


@pytest.mark.parametrize("full", [full_disk_in_words, full_disk_at_the_end_of_a_file])
def test_a_full_disk_is_known_by_a_librarys_words(stages, lidcohort, root, capsys, full):
    stages.before["build"] = full
    assert lidcohort("run") == 1
    assert "The disk is full." in capsys.readouterr().err
    assert folders(root) == []


@pytest.mark.parametrize("gate", Gate)
def test_a_gate_that_stops_publishes_nothing_and_keeps_the_candidate(
    stages, lidcohort, root, current, capsys, gate
):
    lidcohort("run")
    before = current()
    stages.digest = "1" * 64
    stages.fail(gate, Severity.STOP)

    assert lidcohort("run") == 3

    told = capsys.readouterr().err
    assert told.startswith(
        f"Error: The {gate} gate refused the data.\n"
        "There are few rows:\n"
        "  alder\n"
        "Ask the clinic.\n"
        "All of it is in "
    )
    assert told.endswith(f"failure.json. People still read {before}.\n")
    assert current() == before
    [kept] = set(folders(root)) - {before}
    failure = json.loads((root / "releases" / kept / "failure.json").read_text())
    assert failure["stage"] == f"{gate} gate"
    assert [result["success"] for result in failure["gates"]] == [False]


def test_a_gate_that_warns_publishes_and_says_so(stages, lidcohort, current, capsys):
    stages.fail(Gate.ARRIVAL, Severity.WARN)
    assert lidcohort("run", "--quiet") == 0
    assert current() is not None
    told = capsys.readouterr()
    assert "Warning: There are few rows: alder. Ask the clinic.\n" in told.err
    assert told.out == ""


@pytest.mark.parametrize(
    ("severity", "shown"),
    [
        (Severity.WARN, "There are few rows: key0, key1, key2 and 1,231 more. Ask the clinic.\n"),
        (
            Severity.STOP,
            "There are few rows:\n"
            + "".join(f"  key{n}\n" for n in range(10))
            + "  and 1,224 more\nAsk the clinic.\n",
        ),
    ],
)
def test_offending_places_are_shown_and_cut(stages, lidcohort, capsys, severity, shown):
    places = tuple(f"key{n}" for n in range(20))
    stages.fail(Gate.ARRIVAL, severity, offending=places, found=1234)
    lidcohort("run")
    assert shown in capsys.readouterr().err


def test_few_offending_places_are_all_shown(stages, lidcohort, capsys):
    stages.fail(Gate.ARRIVAL, Severity.STOP, offending=("one", "two"))
    lidcohort("run")
    told = capsys.readouterr().err
    assert "  one\n  two\nAsk the clinic.\nAll of it" in told
    assert "more" not in told


def test_every_stop_is_told(stages, lidcohort, capsys):
    for place in ("one", "two"):
        stages.fail(Gate.ARRIVAL, Severity.STOP, offending=(place,))
    lidcohort("run")
    assert (
        "  one\nAsk the clinic.\nThere are few rows:\n  two\nAsk the clinic.\n"
        in capsys.readouterr().err
    )


def test_a_failed_candidate_is_kept_until_the_next_run(stages, lidcohort, root, current):
    stages.fail(Gate.BUILT, Severity.STOP)
    lidcohort("run")
    [failed] = folders(root)
    stages.digest = "1" * 64
    lidcohort("run")
    [failed_later] = folders(root)
    assert failed_later != failed

    stages.failing.clear()
    stages.digest = "2" * 64
    lidcohort("run")
    assert folders(root) == [current()]


def test_what_a_killed_run_left_is_swept(stages, lidcohort, root, current):
    left = root / "releases" / "2025-05-31-0badc0de"
    left.mkdir(parents=True)
    (left / "warehouse.duckdb.wal").write_text("half")
    lidcohort("run")
    assert folders(root) == [current()]


def test_a_candidate_of_the_same_name_is_made_anew(stages, lidcohort, root, current):
    stages.before["publish"] = raising(RuntimeError("a slip"))
    lidcohort("run")
    [name] = folders(root)
    (root / "releases" / name / "dashboards").mkdir()
    stages.before.clear()
    assert lidcohort("run") == 0
    assert current() == name
    assert not (root / "current" / "failure.json").exists()


def test_a_folder_in_the_place_of_current_is_no_crash(stages, lidcohort, root, capsys):
    (root / "current").mkdir()
    assert lidcohort("run") == 2
    assert "is no link to a release. Move it away" in capsys.readouterr().err


def test_a_link_to_a_release_that_is_gone_is_no_release(stages, lidcohort, root, current, capsys):
    (root / "current").symlink_to("releases/2025-05-31-0badc0de")
    stages.before["build"] = raising(RuntimeError("a slip"))
    lidcohort("run")
    assert "Nothing has been published yet." in capsys.readouterr().err
    stages.before.clear()
    assert lidcohort("run") == 0
    assert (root / "current" / "manifest.json").is_file()


def test_a_build_that_fails_names_the_model(stages, lidcohort, capsys):
    stages.before["build"] = raising(BuildFailed(["safety: no such column", "delivery: same"]))
    assert lidcohort("run") == 1
    told = capsys.readouterr().err
    assert "could not be built: safety: no such column (1 more). Report it" in told


def test_the_record_of_an_unexpected_error_says_where(stages, lidcohort, root, capsys):
    stages.before["publish"] = raising(RuntimeError("a slip"))
    lidcohort("run")
    assert str(root / "runs.jsonl") in capsys.readouterr().err
    [record] = map(json.loads, (root / "runs.jsonl").read_text().splitlines())
    assert (record["outcome"], record["stage"]) == ("failed", "publish")
    assert record["error"] == "RuntimeError: a slip"
    assert record["frames"][-1].endswith(" fail")


def test_the_record_never_repeats_what_an_export_holds(stages, lidcohort, root):
    stages.before["ingest"] = raising(RuntimeError("could not parse 'Ann Example, born 1950'"))
    lidcohort("run")
    assert "Ann Example" not in (root / "runs.jsonl").read_text()
    assert "RuntimeError" in (root / "runs.jsonl").read_text()


def test_the_last_failure_is_forgotten_when_a_run_succeeds(stages, lidcohort, root):
    workspace = Workspace.open(root)
    assert history.last_failure(workspace) is None
    stages.fail(Gate.BUILT, Severity.STOP)
    lidcohort("run")
    assert history.last_failure(workspace)["stage"] == "built gate"
    stages.failing.clear()
    lidcohort("run")
    assert history.last_failure(workspace) is None


def test_a_torn_line_spoils_no_other(stages, lidcohort, root):
    (root / "runs.jsonl").write_text('{"command": "run", "outc')
    stages.fail(Gate.BUILT, Severity.STOP)
    lidcohort("run")
    assert history.last_failure(Workspace.open(root))["stage"] == "built gate"


def test_a_traceback_is_shown_only_when_asked_for(stages, lidcohort, capsys, monkeypatch):
    stages.before["build"] = raising(RuntimeError("a slip"))
    lidcohort("run")
    assert "Traceback" not in capsys.readouterr().err
    monkeypatch.setenv("LIDCOHORT_DEBUG", "1")
    lidcohort("run")
    told = capsys.readouterr().err
    assert "Traceback" in told
    assert "RuntimeError: a slip" in told


def test_json_is_one_object_whatever_happens(stages, lidcohort, root, capsys):
    assert lidcohort("run", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["exit_status"], told["outcome"], told["as_of"]) == (0, "published", "2025-06-30")
    assert Path(told["start_page"]).is_file()
    assert told["stages"][0]["stage"] == "ingest"
    assert told["stages"][0]["counts"] == {"files": 1, "rows accepted": 5, "refused": 2}

    stages.digest = "1" * 64
    stages.fail(Gate.ARRIVAL, Severity.STOP)
    assert lidcohort("run", "--json") == 3
    told = json.loads(capsys.readouterr().out)
    assert told["exit_status"] == 3
    assert told["error"]["what"].startswith("The arrival gate refused the data")


def test_refused_rows_lead_to_the_page_that_says_why(stages, lidcohort, root, capsys):
    assert lidcohort("run") == 0
    page = root / "current" / "dashboards" / "quality.html"
    assert f"Refused rows (2), why and how to mend them: {page}" in capsys.readouterr().out


def test_a_check_says_itself_why_rows_were_refused(stages, lidcohort, capsys):
    stages.refused = {"missing": 7, "after_batch": 1200}
    assert lidcohort("check") == 0
    assert (
        "  alder/visits/visit_date: after_batch (1,200)\n  alder/visits/visit_date: missing (7)\n"
    ) in capsys.readouterr().out


def test_a_check_that_refused_nothing_lists_nothing(stages, lidcohort, capsys):
    assert lidcohort("check") == 0
    assert "Why rows were refused" not in capsys.readouterr().out


def test_what_was_passed_over_is_named(stages, lidcohort, root, capsys):
    stray = root / "exports" / "alder" / "notes.txt"
    stages.passed_over = (stray,)
    assert lidcohort("run") == 0
    assert f"Warning: {stray} was passed over: " in capsys.readouterr().err


@pytest.mark.parametrize("command", ["run", "check"])
def test_an_export_that_is_gone_is_not_forgotten_in_silence(
    stages, lidcohort, root, current, capsys, command
):
    lidcohort("run")
    before = current()
    stages.called.clear()
    export = root / "exports" / "alder" / "2025-06" / "visits.csv"
    aside = export.rename(root / "visits.csv")

    assert lidcohort(command) == 2
    assert stages.called == []
    assert current() == before
    told = capsys.readouterr().err
    assert f"exports that lie in {root / 'exports'} no longer: alder/2025-06/visits. Put" in told
    aside.rename(export)
    assert lidcohort(command) == 0


def test_an_export_of_a_withdrawn_batch_may_go(stages, lidcohort, root):
    lidcohort("run")
    withdrawal = Withdrawal("alder", "2025-06", "2025-06-01", "2025-06-30", "2025-07-02", ())
    write_withdrawn(Workspace.open(root), [withdrawal])
    (root / "exports" / "alder" / "2025-06" / "visits.csv").unlink()
    assert lidcohort("run") == 0


def change_the_key(root):
    key_file(root).write_text("another invented key of enough length\n")


@pytest.mark.parametrize("command", ["run", "check"])
def test_a_changed_key_is_refused(stages, lidcohort, root, current, capsys, command):
    lidcohort("run")
    before = current()
    stages.called.clear()
    change_the_key(root)

    assert lidcohort(command) == 2
    assert stages.called == []
    assert current() == before
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert (
        f"The group's key in {key_file(root)} is not the one that {before} was made with." in told
    )
    assert told.endswith(f"{AFRESH} People still read {before}.\n")


def test_the_key_is_named_where_it_was_read(stages, lidcohort, capsys, monkeypatch):
    lidcohort("run")
    monkeypatch.setenv("LIDCOHORT_KEY", "another invented key of enough length")
    assert lidcohort("run") == 2
    assert "The group's key in LIDCOHORT_KEY is not" in capsys.readouterr().err


def test_the_key_put_back_is_accepted(stages, lidcohort, root):
    lidcohort("run")
    with_it = key_file(root).read_text()
    change_the_key(root)
    lidcohort("run")
    key_file(root).write_text(with_it)
    assert lidcohort("run") == 0


def test_a_first_run_may_have_any_key(stages, lidcohort, root):
    change_the_key(root)
    assert lidcohort("run") == 0


def test_another_run_in_the_workspace_is_left_alone(stages, lidcohort, root, capsys):
    from pipeline.lock import hold

    with hold(root / ".lock"):
        assert lidcohort("run") == 4
    told = capsys.readouterr().err
    assert "Another run holds this workspace: process " in told
    assert told.endswith("Nothing has been published yet.\n")
    assert stages.called == []
    assert not (root / "runs.jsonl").exists()


@pytest.mark.parametrize("step", ["switch", "prune"])
def test_a_signal_after_the_last_stage_changes_nothing(
    stages, lidcohort, current, monkeypatch, step
):
    go_on = getattr(releases, step)
    monkeypatch.setattr(releases, step, lambda *given: (press_ctrl_c(), go_on(*given))[1])
    assert lidcohort("run") == 0
    assert current() is not None


def test_a_second_signal_finds_the_first_one_heeded(stages, lidcohort, capsys, monkeypatch):
    stages.before["build"] = press_ctrl_c
    monkeypatch.setattr(releases, "remove", lambda _: press_ctrl_c())
    assert lidcohort("run") == 1
    assert capsys.readouterr().err.startswith("Error: Interrupted. ")


def test_settings_reach_the_release_as_tables(stages, lidcohort, root):
    import polars as pl

    lidcohort("run")
    protocols = pl.read_parquet(root / "current" / "inputs" / "settings" / "protocols.parquet")
    toml = tomllib.loads((root / "group.toml").read_text())
    assert protocols["protocol"].to_list() == [toml["protocol"][0]["code"]]
    assert protocols.schema["band_low_c"] == pl.Decimal(18, 6)
    assert protocols.schema["maintenance_low_days"] == pl.Int64
    assert protocols.select(pl.exclude(pl.String).cast(pl.Float64)).row(0) == (
        *(1, 4, 10, 21, 40, 43, 45, 5, 7, 180, 365, 0),
    )


def test_every_kind_has_columns_even_without_an_export(stages, lidcohort, root):
    import polars as pl

    from ingest.contract import KINDS

    lidcohort("run")
    for kind in KINDS:
        empty = root / "current" / "inputs" / kind.name / "site=none/batch=none/empty.parquet"
        frame = pl.read_parquet(empty, hive_partitioning=False)
        assert (frame.height, frame.schema) == (0, kind.stored_schema)


def test_inputs_are_links_into_the_store(stages, lidcohort, root):
    lidcohort("run")
    place = root / "current" / "inputs" / "visits" / "site=alder" / "batch=2025-06"
    linked = place / f"{'0' * 64}.parquet"
    assert linked.samefile(root / "accepted" / "visits" / "alder" / linked.name)


@pytest.mark.parametrize("command", ["run", "check"])
def test_a_stop_at_arrival_says_why_rows_were_refused(stages, lidcohort, capsys, command):
    stages.refused = {"unreadable": 3}
    stages.fail(Gate.ARRIVAL, Severity.STOP)
    assert lidcohort(command) == 3
    assert "  alder/visits/visit_date: unreadable (3)" in capsys.readouterr().err


def test_a_stop_after_arrival_does_not(stages, lidcohort, capsys):
    stages.refused = {"unreadable": 3}
    stages.fail(Gate.BUILT, Severity.STOP)
    assert lidcohort("run") == 3
    assert "Why rows were refused" not in capsys.readouterr().err


def test_checked_rows_stay_as_long_as_a_release_is_made_from_them(stages, lidcohort, root):
    settings = root / "group.toml"
    settings.write_text("[releases]\nkeep = 1\n" + settings.read_text())
    for number in range(3):
        stages.digest = str(number) * 64
        lidcohort("run")
    kept = sorted(path.stem for path in (root / "accepted").rglob("*.parquet"))
    assert kept == ["1" * 64, "2" * 64]


def test_the_run_record_keeps_the_newest(stages, lidcohort, root, monkeypatch):
    monkeypatch.setattr(history, "KEPT_RECORDS", 2)
    for _ in range(5):
        lidcohort("run")
    lidcohort("check")
    commands = [
        json.loads(line)["command"] for line in (root / "runs.jsonl").read_text().splitlines()
    ]
    assert commands == ["run", "run", "run", "check"]
