"""Commands that judge again and take readers' decisions: rejudge, review, decide."""

from __future__ import annotations

from typing import Annotated

import typer

from quietsleep.cli.app import (
    ALREADY_RUNNING,
    RED_NIGHT,
    StudyArgument,
    app,
    open_study,
    stop,
)

Centre = Annotated[str | None, typer.Option(help="Trials of this centre only.")]
Technique = Annotated[str | None, typer.Option(help="Trials of this technique only.")]
Reader = Annotated[str | None, typer.Option(help="Leave out what this reader has read.")]


@app.command(epilog="Example: quietsleep rejudge study")
def rejudge(study: StudyArgument) -> None:
    """Judge stored measures by the rules, waivers and decisions of now; reads no signal."""
    from quietsleep.cli.review_lists import print_rejudged
    from quietsleep.night.rejudge import NotMeasured, rejudge_study
    from quietsleep.store.state import NightRunning

    try:
        rejudged = rejudge_study(open_study(study).path)
    except NightRunning as error:
        raise stop(str(error), ALREADY_RUNNING) from error
    except NotMeasured as error:
        raise stop(str(error)) from error
    print_rejudged(rejudged)
    if rejudged.report.state == "red":
        raise typer.Exit(RED_NIGHT)


@app.command(epilog="Example: quietsleep review study --blind --reader reader-2")
def review(
    study: StudyArgument,
    *,
    centre: Centre = None,
    technique: Technique = None,
    reader: Reader = None,
    limit: Annotated[int, typer.Option(help="Trials to list.", min=1)] = 30,
    blind: Annotated[
        bool, typer.Option("--blind", help="Hide what the rules said and why a trial waits.")
    ] = False,
    mend: Annotated[
        bool, typer.Option("--mend", help="Put back decisions that were changed by hand.")
    ] = False,
) -> None:
    """List trials that wait for a reader; with --mend, repair the file of decisions."""
    from quietsleep.cli.review_lists import print_waiting
    from quietsleep.errors import WarehouseError
    from quietsleep.review.desk import review_file, waiting_trials
    from quietsleep.study.review_log import ReviewError

    loaded = open_study(study)
    try:
        if mend:
            aside = review_file(loaded).mend()
            typer.echo(
                f"Put back; the changed file is {aside.relative_to(loaded.path)}. "
                f"Run: quietsleep rejudge {study}"
                if aside
                else "The file of decisions is whole; nothing to mend."
            )
            return
        waiting = waiting_trials(loaded)
    except (ReviewError, WarehouseError) as error:
        raise stop(str(error)) from error
    rows = waiting.trials
    for name, wanted in (("centre", centre), ("technique", technique)):
        if wanted is not None:
            rows = rows[rows[name] == wanted]
    if reader is not None:
        rows = rows[[reader not in readers for readers in rows["readers"]]]
    print_waiting(rows, waiting.broken, limit=limit, blind=blind)


@app.command(
    epilog="Example: quietsleep decide study larch-003-so-1#2 --centre larch --reader reader-2 "
    "--reject --reason leak_seen"
)
def decide(
    study: StudyArgument,
    trial: Annotated[str, typer.Argument(help="Trial, as 'quietsleep review' names it.")],
    *,
    reader: Annotated[str, typer.Option(help="Your code as a reader, never a name.")],
    reason: Annotated[str, typer.Option(help="A rule of the technique, or a reason; see --help.")],
    accept: Annotated[
        bool, typer.Option("--accept/--reject", help="What you decide.", show_default=False)
    ],
    centre: Annotated[
        str | None, typer.Option(help="Centre, where two have the same trial code.")
    ] = None,
    note: Annotated[str, typer.Option(help="Your own words; nothing about a person.")] = "",
    blind: Annotated[
        bool, typer.Option("--blind", help="You did not see what the rules said.")
    ] = False,
    new_reader: Annotated[
        bool, typer.Option("--new-reader", help="Needed with a code not used before.")
    ] = False,
) -> None:
    """Write down what a reader decided of one trial; it counts from the next night or rejudge."""
    from quietsleep.errors import WarehouseError
    from quietsleep.review.desk import Said, write_down
    from quietsleep.study.review_log import ReviewError

    said = Said(
        trial=trial,
        centre=centre,
        reader=reader,
        decision="accept" if accept else "reject",
        reason=reason,
        note=note,
        blind=blind,
    )
    try:
        written = write_down(open_study(study), said, new_reader=new_reader)
    except (ReviewError, WarehouseError) as error:
        raise stop(str(error)) from error
    typer.echo(
        f"{written.review}: {written.reader} {written.decision}s {written.trial} of "
        f"{written.centre}. It counts from the next night on, or now with: "
        f"quietsleep rejudge {study}"
    )
