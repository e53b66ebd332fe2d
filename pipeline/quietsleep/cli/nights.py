"""Commands that take deliveries in: demo, nightly, check."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from quietsleep.cli.app import (
    ALREADY_RUNNING,
    PROBLEMS_FOUND,
    RED_NIGHT,
    StudyArgument,
    StudyOption,
    app,
    open_study,
    stop,
)


@app.command(epilog="Example: quietsleep demo demo")
def demo(
    folder: Annotated[Path, typer.Argument(help="Where to write the demo study.")] = Path("demo"),
    workers: Annotated[int | None, typer.Option(help="Processes that measure.")] = None,
) -> None:
    """Write the invented demo study (once) and run a night on it."""
    from quietsleep.simulation.centres import write_demo_study

    if not (folder / "study.toml").is_file():
        typer.echo(f"Writing the demo study to {folder} ...")
        write_demo_study(folder)
    _run_night(folder, workers=workers)
    # As it was called, so that the lines can be typed as they stand.
    program = sys.argv[0] if Path(sys.argv[0]).name == "quietsleep" else "quietsleep"
    typer.echo(
        f"\nLook:  {program} look {folder}\n"
        f'Ask:   {program} query --study {folder} "SELECT * FROM acceptance"\n'
        f"Why:   {program} why --study {folder} larch-s007"
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
    from quietsleep.night.orchestration.schedule import ScheduleError, keep_scheduled

    try:
        keep_scheduled(study.resolve(), cron=every, workers=workers)
    except ScheduleError as error:
        raise stop(str(error)) from error


def _run_night(path: Path, *, workers: int | None, full: bool = False) -> None:
    study = open_study(path)
    from quietsleep.cli.terminal import print_closing
    from quietsleep.contract import ContractError
    from quietsleep.night.orchestration.run import run_with_prefect
    from quietsleep.store.state import NightRunning
    from quietsleep.study.study import StudyError

    try:
        report = run_with_prefect(study.path, workers=workers, full=full)
    except NightRunning as error:
        raise stop(str(error), ALREADY_RUNNING) from error
    except (StudyError, ContractError) as error:
        raise stop(str(error)) from error
    print_closing(report)
    if report.state == "red":
        raise typer.Exit(RED_NIGHT)


@app.command(epilog="Example: quietsleep check deliveries/larch/2026-03-02 --study study")
def check(
    delivery: Annotated[Path, typer.Argument(help="Delivery folder or .zip, before it is sent.")],
    study: StudyOption = None,
) -> None:
    """Check a delivery as the coordinating centre will: same contract, same sentences."""
    from quietsleep.cli.terminal import print_problems
    from quietsleep.intake.delivery import check_delivery

    problems = check_delivery(open_study(study), delivery)
    print_problems(problems)
    if problems:
        raise typer.Exit(PROBLEMS_FOUND)
