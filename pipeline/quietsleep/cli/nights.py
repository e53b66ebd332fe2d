"""The commands that run nights, or say when one ran: parse words, call one stage, print."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from quietsleep.cli.commands import AsJson, StudyArgument, open_study
from quietsleep.errors import NIGHT_MISSED, QuietsleepError


def demo(
    folder: Annotated[Path, typer.Argument(help="Where to write the demo study.")] = Path("demo"),
    workers: Annotated[int | None, typer.Option(help="Processes that measure.")] = None,
) -> None:
    """Write the invented demo study, and run a night on it."""
    from quietsleep import write_demo

    if not (folder / "study.toml").is_file():
        typer.echo(f"Writing the demo study to {folder} ...")
        write_demo(folder)
    _run_night(folder, workers=workers)
    # As it was called, so that the lines can be typed as they stand.
    program = sys.argv[0] if Path(sys.argv[0]).name == "quietsleep" else "quietsleep"
    typer.echo(
        f"\nLook:  {program} look {folder}\n"
        f'Ask:   {program} sql --study {folder} "SELECT * FROM acceptance"\n'
        f"Why:   {program} why --study {folder} larch-s007"
    )


def nightly(
    study: StudyArgument,
    *,
    every: Annotated[
        str | None, typer.Option(help="Keep running on this cron schedule, local time.")
    ] = None,
    workers: Annotated[int | None, typer.Option(help="Processes that measure.")] = None,
    full: Annotated[bool, typer.Option(help="Re-read every file, even unchanged ones.")] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what a night would change; change nothing.")
    ] = False,
    timer: Annotated[
        bool, typer.Option("--timer", help="Print files for the system's timer; run no night.")
    ] = False,
    out: Annotated[
        Path | None, typer.Option(help="With --timer: folder to write the files to.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Run one night, from deliveries to warehouse and pages.

    Take in, measure, judge, publish, write the pages, tell people.
    """
    if timer and not (dry_run or as_json or full):
        _write_timer(study, every=every, out=out)
        return
    if (every or timer) and (dry_run or as_json or timer):
        raise QuietsleepError(
            "One thing at a time: --every keeps a schedule, --timer writes files, --dry-run and "
            "--json are of one night."
        )
    if out is not None:
        raise QuietsleepError("--out is where --timer writes its files; give both.")
    if dry_run:
        _run_dry(study, workers=workers, full=full, as_json=as_json)
    elif every is None:
        _run_night(study, workers=workers, full=full, as_json=as_json)
    else:
        open_study(study)
        from quietsleep.night.orchestration.schedule import keep_scheduled

        keep_scheduled(study.resolve(), cron=every, workers=workers, full=full)


def _run_night(
    path: Path, *, workers: int | None, full: bool = False, as_json: bool = False
) -> None:
    study = open_study(path)
    from quietsleep.cli.as_json import of_night, print_json
    from quietsleep.night.closing import print_closing
    from quietsleep.night.orchestration.run import run_orchestrated
    from quietsleep.store.processes import ended_at_once

    with ended_at_once():
        report = run_orchestrated(study.path, workers=workers, full=full)
    if as_json:
        print_json("nightly", of_night(report))
    else:
        print_closing(report)
    if report.exit_code:
        raise typer.Exit(report.exit_code)


def _run_dry(path: Path, *, workers: int | None, full: bool, as_json: bool) -> None:
    study = open_study(path)
    from quietsleep.cli.as_json import of_dry_run, print_json
    from quietsleep.cli.terminal import print_dry_run
    from quietsleep.night.dry_run import dry_run

    dry = dry_run(study, workers=workers, full=full)
    if as_json:
        print_json("nightly --dry-run", of_dry_run(dry))
    else:
        print_dry_run(dry)
    if dry.report.exit_code:
        raise typer.Exit(dry.report.exit_code)


def _write_timer(path: Path, *, every: str | None, out: Path | None) -> None:
    from quietsleep.night.timer import timer_files

    study = open_study(path)
    files = timer_files(study, every or study.due)
    for name, text in files.items():
        if out is None:
            typer.echo(f"# ---- {name}\n{text}")
        else:
            out.mkdir(parents=True, exist_ok=True)
            (out / name).write_text(text, encoding="utf-8")
            typer.echo(f"Written: {out / name}")


def status(study: StudyArgument, as_json: AsJson = False) -> None:
    """Say when a night last looked, and when the next is due.

    And whether one was missed, which is exit code 1.
    """
    from quietsleep.cli.as_json import of_status, print_json
    from quietsleep.cli.terminal import print_status
    from quietsleep.night.status import status_of

    found = status_of(open_study(study))
    if as_json:
        print_json("status", of_status(found))
    else:
        print_status(found)
    if found.is_missed:
        raise typer.Exit(NIGHT_MISSED)
