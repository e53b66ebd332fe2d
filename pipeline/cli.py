"""The command line: parses words, calls one stage, prints.

Stages are imported by the command that needs them, so that help answers at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from pipeline.study import Study

app = typer.Typer(
    help="Nightly data pipeline of a multi-centre infant lung-function study.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

# Exit codes, also in README: what a scheduler or a script may rely on.
RED_NIGHT = 1
PROBLEMS_FOUND = 1
CANNOT_START = 2
ALREADY_RUNNING = 3

StudyArgument = Annotated[Path, typer.Argument(help="Study folder, the one with study.toml.")]
StudyOption = Annotated[
    Path | None,
    typer.Option("--study", envvar="QUIETSLEEP_STUDY", help="Study folder [default: here or demo]"),
]


def stop(sentence: str, code: int = CANNOT_START) -> typer.Exit:
    """Print one sentence to standard error and return the exit to raise."""
    typer.echo(sentence, err=True)
    return typer.Exit(code)


def open_study(path: Path | None) -> Study:
    """Load the study named, else the one in this folder, else the demo study below it."""
    from pipeline.study import StudyError, load_study

    places = [path] if path else [Path(), Path("demo")]
    found = next((p for p in places if (p / "study.toml").is_file()), places[0])
    try:
        return load_study(found.resolve())
    except StudyError as error:
        raise stop(str(error)) from error


@app.command(epilog="Example: quietsleep demo demo")
def demo(
    folder: Annotated[Path, typer.Argument(help="Where to write the demo study.")] = Path("demo"),
    workers: Annotated[int | None, typer.Option(help="Processes that measure.")] = None,
) -> None:
    """Write the invented demo study (once) and run a night on it."""
    from demo_centres.centres import write_demo_study

    if not (folder / "study.toml").is_file():
        typer.echo(f"Writing the demo study to {folder} ...")
        write_demo_study(folder)
    _run_night(folder, workers=workers)
    typer.echo(
        f"\nLook:  quietsleep look {folder}\n"
        f'Ask:   quietsleep query --study {folder} "SELECT * FROM acceptance"\n'
        f"Why:   quietsleep why --study {folder} SESSION   (any session on the pages)"
    )


@app.command(epilog='Example: quietsleep nightly study --every "0 2 * * *"')
def nightly(
    study: StudyArgument,
    every: Annotated[
        str | None, typer.Option(help="Keep running on this cron schedule, local time.")
    ] = None,
    workers: Annotated[int | None, typer.Option(help="Processes that measure.")] = None,
    full: Annotated[bool, typer.Option(help="Re-read every file, even unchanged ones.")] = False,
) -> None:
    """Run one night: take in, measure, judge, publish, write the pages."""
    if every is None:
        _run_night(study, workers=workers, full=full)
        return
    open_study(study)
    from dags.schedule import ScheduleError, keep_scheduled

    try:
        keep_scheduled(study.resolve(), cron=every, workers=workers)
    except ScheduleError as error:
        raise stop(str(error)) from error


def _run_night(path: Path, *, workers: int | None, full: bool = False) -> None:
    from pipeline.state import NightRunning

    study = open_study(path)
    from dags.run import run_with_prefect
    from pipeline.closing import print_closing

    try:
        report = run_with_prefect(study.path, workers=workers, full=full)
    except NightRunning as error:
        raise stop(str(error), ALREADY_RUNNING) from error
    print_closing(report)
    if report.state == "red":
        raise typer.Exit(RED_NIGHT)


@app.command(epilog="Example: quietsleep check deliveries/larch/2026-03-02 --study study")
def check(
    delivery: Annotated[Path, typer.Argument(help="Delivery folder or .zip, before it is sent.")],
    study: StudyOption = None,
) -> None:
    """Check a delivery as the coordinating centre will: same contract, same sentences."""
    from pipeline.closing import print_problems
    from pipeline.intake.tables import check_delivery

    problems = check_delivery(open_study(study), delivery)
    print_problems(problems)
    if problems:
        raise typer.Exit(PROBLEMS_FOUND)


@app.command(epilog="Example: quietsleep why larch-003")
def why(
    session: Annotated[str, typer.Argument(help="Session code, as on the pages.")],
    study: StudyOption = None,
) -> None:
    """Say in words why tests of a session were rejected or flagged, and what to do next time."""
    from pipeline.closing import print_why
    from pipeline.warehouse.query import open_current

    with open_current(open_study(study).path) as warehouse:
        if not print_why(warehouse, session):
            raise stop(f"No session {session} in the warehouse. Sessions are named on the pages.")


@app.command(epilog='Example: quietsleep query "SELECT * FROM clean_outcomes LIMIT 5"')
def query(
    sql: Annotated[str, typer.Argument(help="One SQL query; the warehouse is opened read-only.")],
    study: StudyOption = None,
    csv: Annotated[bool, typer.Option("--csv", help="Print as csv.")] = False,
) -> None:
    """Ask the published warehouse in SQL; nothing can be written."""
    from pipeline.closing import print_rows
    from pipeline.warehouse.query import QueryError, open_current, run_query

    with open_current(open_study(study).path) as warehouse:
        try:
            print_rows(run_query(warehouse, sql), as_csv=csv)
        except QueryError as error:
            raise stop(str(error)) from error
