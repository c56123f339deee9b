"""The commands: read the command line, do one job, say how it went."""

import logging
import os
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from datetime import date
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, TypeAlias

import typer

from pipeline import standing
from pipeline.errors import WrongUse, as_sentence, in_words
from pipeline.files import for_the_owner_only
from pipeline.history import recorded
from pipeline.interruption import behind, heed_no_more, raise_if_interrupted
from pipeline.lock import hold
from pipeline.settings import ENGINES
from pipeline.voice import Answer, Voice
from pipeline.workspace import Workspace

DEBUG_VARIABLE = "LIDCOHORT_DEBUG"
SAID_ANYWHERE = ("--quiet", "--json")

# Reading the line and doing the job are two steps: Typer would take Ctrl-C for itself.
Job: TypeAlias = Callable[[Voice], Answer]

app = typer.Typer(
    help="Outcomes of eyelid heating for meibomian gland dysfunction, from clinics' own exports.",
    epilog="--quiet and --json may stand anywhere on the line.",
    add_completion=False,
    rich_markup_mode=None,
)

WorkspaceFolder = Annotated[
    Path, typer.Option("--workspace", metavar="DIR", help="The group's folder.")
]
Replace = Annotated[bool, typer.Option("--replace", help="Write over the file that is there.")]
HERE = Path()


def obey(arguments: Sequence[str]) -> int:
    """Do what a command line says and return its exit status."""
    voice = Voice(quiet="--quiet" in arguments, as_json="--json" in arguments)
    debugging = os.environ.get(DEBUG_VARIABLE) == "1"
    try:
        with for_the_owner_only(), nullcontext() if debugging else _libraries_silent():
            job = _read(arguments)
            if job is None:
                return 0
            answer = job(voice)
            voice.answer(answer)
    except BaseException as error:
        heed_no_more()
        if debugging:
            traceback.print_exception(error)
        failure = in_words(behind(error))
        voice.fail(failure)
        return failure.exit_status
    return answer.exit_status


@contextmanager
def _libraries_silent() -> Iterator[None]:
    """No library logs past the one voice that a command has."""
    before = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        logging.disable(before)


def _read(arguments: Sequence[str]) -> Job | None:
    """The job a command line names; None where it only asked for help."""
    own = [argument for argument in arguments if argument not in SAID_ANYWHERE]
    try:
        job = app(own or ["--help"], prog_name="lidcohort", standalone_mode=False)
    except typer.TyperException as error:
        raise WrongUse(
            as_sentence(error.format_message()),
            "`lidcohort --help` and `lidcohort COMMAND --help` tell how.",
        ) from None
    return job if callable(job) else None


def _run(workspace: Workspace, voice: Voice) -> Answer:
    """Run the whole job, held and recorded from before its libraries are imported."""
    with hold(workspace.lock), recorded(workspace, "run", voice) as run:
        from pipeline.run import run_job

        return run_job(workspace, voice, run)


def _day(text: str | None) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError:
        raise WrongUse(f"--as-of {text} is no date.", "Write it like 2025-06-30.") from None


def _engine(text: str | None) -> str | None:
    if text is not None and text not in ENGINES:
        raise WrongUse(f"--engine {text} is no engine.", f"Write --engine {' or '.join(ENGINES)}.")
    return text


def _say_version(is_asked: bool) -> None:
    if is_asked:
        print(f"lidcohort {version('lidcohort')}")
        raise typer.Exit


@app.callback()
def _options(
    quiet: Annotated[bool, typer.Option("--quiet", help="Say only warnings and errors.")] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="One JSON object on stdout, messages on stderr.")
    ] = False,
    asks_version: Annotated[
        bool, typer.Option("--version", callback=_say_version, help="Say the version.")
    ] = False,
) -> None:
    pass  # `carry_out` has read the first two, wherever they stood; here they get their help


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="Where to make it.")] = Path("lidcohort-demo"),
    patients: Annotated[int, typer.Option(min=1, help="How many patients to invent.")] = 3000,
    seed: Annotated[int, typer.Option(min=0, help="Another number, another group.")] = 1,
) -> Job:
    """Invent a group's exports, then run the whole job on them."""

    def job(voice: Voice) -> Answer:
        with standing.told(folder):
            from pipeline.beginnings import demo_workspace

            return _run(demo_workspace(folder, patients, seed, voice), voice)

    return job


@app.command()
def run(
    workspace: WorkspaceFolder = HERE,
    as_of: Annotated[
        str | None, typer.Option(metavar="DATE", help="Read nothing after this day.")
    ] = None,
    engine: Annotated[
        str | None,
        typer.Option(metavar="ENGINE", help="duckdb or spark, if not as group.toml says."),
    ] = None,
) -> Job:
    """Check the exports, build the tables, publish the pages."""

    def job(voice: Voice) -> Answer:
        with standing.told(workspace):
            opened = Workspace.open(workspace).as_of(_day(as_of)).on_engine(_engine(engine))
            return _run(opened, voice)

    return job


@app.command()
def check(workspace: WorkspaceFolder = HERE) -> Job:
    """Check the exports and publish nothing."""

    def job(voice: Voice) -> Answer:
        with standing.told(workspace):
            opened = Workspace.open(workspace)
            with hold(opened.lock), recorded(opened, "check", voice) as run:
                from pipeline.run import check_exports

                return check_exports(opened, voice, run)

    return job


@app.command("withdraw")
def withdraw_batch(
    batch: Annotated[str, typer.Option(metavar="SITE/BATCH", help="Like alder/2025-06.")],
    workspace: WorkspaceFolder = HERE,
    undo: Annotated[bool, typer.Option("--undo", help="Have it count again.")] = False,
) -> Job:
    """Have a batch count no longer; its files stay, and the harms in it stay listed."""

    def job(voice: Voice) -> Answer:
        with standing.told(workspace):
            opened = Workspace.open(workspace)
            with hold(opened.lock), recorded(opened, "withdraw", voice) as record:
                from pipeline.withdrawing import take_back, withdraw

                return (take_back if undo else withdraw)(opened, batch, voice, record)

    return job


@app.command("forget", context_settings={"allow_extra_args": True, "ignore_unknown_options": True})
def forget_patient(
    context: typer.Context,
    patient: Annotated[
        str, typer.Option(metavar="SITE/ID", help="ID is the clinic's own number.")
    ] = "",
    workspace: WorkspaceFolder = HERE,
) -> Job:
    """Erase a patient from all that is kept, and drop their rows from now on."""
    has_more = bool(context.args)  # not said which: one may be the patient's number

    def job(voice: Voice) -> Answer:
        with standing.told(workspace):
            if has_more or not patient:
                raise WrongUse(
                    "`lidcohort forget` was given too much or too little.",
                    "Write `lidcohort forget --workspace DIR --patient SITE/ID`.",
                )
            opened = Workspace.open(workspace)
            with hold(opened.lock), recorded(opened, "forget", voice) as record:
                from pipeline.forgetting import forget
                from pipeline.run import make_release

                return forget(opened, patient, make_release, voice, record)

    return job


@app.command("reveal")
def reveal_list(
    keys: Annotated[
        Path, typer.Argument(metavar="LIST", help="A CSV file with a column patient_key.")
    ],
    site: Annotated[str, typer.Option(metavar="SITE", help="The clinic whose list it is.")],
    workspace: WorkspaceFolder = HERE,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Where to write it, if not beside the workspace."),
    ] = None,
    replace: Replace = False,
) -> Job:
    """Write a list of patients' keys again, with the clinic's own numbers."""

    def job(voice: Voice) -> Answer:
        raise_if_interrupted()
        opened = Workspace.open(workspace)
        with hold(opened.lock), recorded(opened, "reveal", voice) as record:
            from pipeline.revealing import reveal

            return reveal(opened, site, keys, out, voice, record, replace=replace)

    return job


@app.command("pack")
def pack_month(
    month: Annotated[str, typer.Option(metavar="YYYY-MM", help="The month, like 2025-06.")],
    workspace: WorkspaceFolder = HERE,
    site: Annotated[
        str | None, typer.Option(metavar="SITE", help="One clinic, if not all of them.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Where to write, if not beside the workspace."),
    ] = None,
) -> Job:
    """Print each clinic's month as one PDF; needs an installed Chromium or Chrome."""

    def job(voice: Voice) -> Answer:
        raise_if_interrupted()
        from pipeline.packing import pack

        return pack(workspace, month, site, out, voice)

    return job


@app.command("rollback")
def rollback_to(
    release: Annotated[
        str | None, typer.Argument(help="Its name; else the one made before the current one.")
    ] = None,
    workspace: WorkspaceFolder = HERE,
) -> Job:
    """Have people read an older release again."""

    def job(voice: Voice) -> Answer:
        with standing.told(workspace):
            opened = Workspace.open(workspace)
            with hold(opened.lock), recorded(opened, "rollback", voice) as record:
                from pipeline.rollback import roll_back

                return roll_back(opened, release, voice, record)

    return job


@app.command()
def verify(
    release: Annotated[str | None, typer.Argument(help="Its name; else the current one.")] = None,
    workspace: WorkspaceFolder = HERE,
) -> Job:
    """Prove a release against its manifest, to the byte."""

    def job(voice: Voice) -> Answer:
        raise_if_interrupted()
        opened = Workspace.open(workspace)
        from pipeline.verifying import verify as prove

        return prove(opened, release, voice)

    return job


@app.command("rekey")
def rekey_group(workspace: WorkspaceFolder = HERE) -> Job:
    """Give the group a new secret key, and make everything again with it."""

    def job(voice: Voice) -> Answer:
        with standing.told(workspace):
            opened = Workspace.open(workspace)
            with hold(opened.lock), recorded(opened, "rekey", voice) as record:
                from pipeline.rekeying import rekey
                from pipeline.run import run_job

                return rekey(opened, run_job, voice, record)

    return job


@app.command()
def status(workspace: WorkspaceFolder = HERE) -> Job:
    """Say what is published, what is waiting, and what failed last."""

    def job(_: Voice) -> Answer:
        raise_if_interrupted()
        opened = Workspace.open(workspace)
        from pipeline.status import status_of

        return status_of(opened)

    return job


@app.command("audit")
def audit_release(
    release: Annotated[
        str | None, typer.Argument(help="A release by its name; the current one if left out.")
    ] = None,
    workspace: WorkspaceFolder = HERE,
) -> Job:
    """Say what of a release could single out a patient, and the setting that cures it."""

    def job(_: Voice) -> Answer:
        raise_if_interrupted()
        opened = Workspace.open(workspace)
        from pipeline.audit import audit

        return audit(opened, release)

    return job


@app.command("define")
def define_something(
    file: Annotated[
        Path | None, typer.Argument(metavar="FILE", help="A TOML file; its name is the name.")
    ] = None,
    workspace: WorkspaceFolder = HERE,
    asks_list: Annotated[bool, typer.Option("--list", help="Say what is defined.")] = False,
    remove: Annotated[str | None, typer.Option(metavar="NAME", help="Build it no longer.")] = None,
    replace: Replace = False,
) -> Job:
    """Define a response rule or a cohort of your own, built beside ours by the next run."""

    def job(voice: Voice) -> Answer:
        with standing.told(workspace):
            if (file is not None) + (remove is not None) + asks_list != 1:
                raise WrongUse(
                    "`lidcohort define` takes a file, --list, or --remove with a name.",
                    "For instance `lidcohort define young.toml`.",
                )
            opened = Workspace.open(workspace)
            from pipeline.defining import define, listed, take_away

            if asks_list:
                return listed(opened)
            with hold(opened.lock), recorded(opened, "define", voice) as record:
                if file is None:
                    return take_away(opened, remove or "", record)
                return define(opened, file, voice, record, replace=replace)

    return job


@app.command("query")
def ask_warehouse(
    sql: Annotated[str | None, typer.Argument(metavar="SQL", help="One question.")] = None,
    workspace: WorkspaceFolder = HERE,
    explain_table: Annotated[
        str | None, typer.Option(metavar="NAME", help="Say what a table holds, column by column.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write all rows there, as .csv or .parquet."),
    ] = None,
    replace: Replace = False,
) -> Job:
    """Ask the current release's warehouse in SQL; nothing can be changed."""

    def job(_: Voice) -> Answer:
        raise_if_interrupted()
        opened = Workspace.open(workspace)
        from pipeline.querying import query

        return query(opened, sql, explain_table, out, replace=replace)

    return job


@app.command("compare")
def compare_releases(
    before: Annotated[
        str | None, typer.Argument(metavar="RELEASE", help="Else the one before the current one.")
    ] = None,
    after: Annotated[
        str | None, typer.Argument(metavar="RELEASE", help="Else the current one.")
    ] = None,
    workspace: WorkspaceFolder = HERE,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write all figures that moved, as CSV.")
    ] = None,
    replace: Replace = False,
) -> Job:
    """Say which figures moved between two releases, and which files caused it."""

    def job(_: Voice) -> Answer:
        raise_if_interrupted()
        opened = Workspace.open(workspace)
        from pipeline.comparing import compare

        return compare(opened, before, after, out, replace=replace)

    return job


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(help="A folder, new or without a group.toml.")],
) -> Job:
    """Make a workspace, with a fresh secret key beside it; nothing is written over."""

    def job(_: Voice) -> Answer:
        raise_if_interrupted()
        from pipeline.beginnings import new_workspace

        return new_workspace(folder)

    return job


@app.command()
def contract(
    folder: Annotated[Path, typer.Argument(help="Where to write it.")] = Path("lidcohort-contract"),
    workspace: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="A group whose protocols' codes it shall name."),
    ] = None,
) -> Job:
    """Write what a clinic exports, for programs and for people."""

    def job(_: Voice) -> Answer:
        raise_if_interrupted()
        from pipeline.beginnings import contract_folder

        return contract_folder(folder, workspace / "group.toml" if workspace else None)

    return job


@app.command("map")
def map_(
    site: Annotated[str, typer.Argument(help="The clinic, by its code in group.toml.")],
    file: Annotated[Path, typer.Argument(help="A file that it exported.")],
    workspace: WorkspaceFolder = HERE,
    kind: Annotated[
        str | None, typer.Option(metavar="KIND", help="What it holds, if its name does not say.")
    ] = None,
    write: Annotated[
        bool, typer.Option("--write", help="Write it where the clinic has no mapping yet.")
    ] = False,
) -> Job:
    """Propose how a clinic's own columns, words and units are to be read."""

    def job(_: Voice) -> Answer:
        from pipeline.proposal import propose_mapping

        return propose_mapping(workspace, site, file, kind, write=write)

    return job
