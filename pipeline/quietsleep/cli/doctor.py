"""The command for after a mishap: doctor."""

from __future__ import annotations

from typing import Annotated

import typer

from quietsleep.cli.app import ALREADY_RUNNING, PROBLEMS_FOUND, StudyArgument, app, open_study, stop


@app.command(epilog="Example: quietsleep doctor study --repair")
def doctor(
    study: StudyArgument,
    mend: Annotated[
        bool, typer.Option("--repair", help="Put right what can be made again.")
    ] = False,
) -> None:
    """Say what is wrong with a study's own files after a mishap; changes nothing unasked."""
    from quietsleep.night.doctor import examine, repair
    from quietsleep.store.state import NightRunning

    try:
        findings = examine(open_study(study))
    except NightRunning as error:
        raise stop(str(error), ALREADY_RUNNING) from error
    if not findings:
        typer.echo("State, warehouse, deliveries, decisions and disk space are sound.")
        return
    if mend:
        told = list(repair(findings))
    else:
        told = [(f, f"{'--repair will' if f.mend else 'To do:'} {f.remedy}") for f in findings]
    for finding, outcome in told:
        typer.echo(f"{finding.sentence}\n  {outcome}")
    raise typer.Exit(PROBLEMS_FOUND)
