"""The commands: each parses its words, calls one stage, prints.

Stages are imported by the command that needs them, so that help answers at once. Nothing is caught
here: an error with a sentence goes up to `main`, which prints it and knows the exit code.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from quietsleep.errors import PROBLEMS_FOUND, QuietsleepError

if TYPE_CHECKING:
    from starlette.types import ASGIApp

    from quietsleep.study.study import Study

StudyArgument = Annotated[Path, typer.Argument(help="Study folder, the one with study.toml.")]
StudyOption = Annotated[
    Path | None,
    typer.Option("--study", envvar="QUIETSLEEP_STUDY", help="Study folder [default: here or demo]"),
]
ReleaseArgument = Annotated[Path, typer.Argument(help="Folder of the release.")]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print one JSON object and nothing else; see docs/json.md.")
]
Centre = Annotated[str | None, typer.Option(help="Trials of this centre only.")]
Technique = Annotated[str | None, typer.Option(help="Trials of this technique only.")]
Reader = Annotated[str | None, typer.Option(help="Leave out what this reader has read.")]


def open_study(path: Path | None) -> Study:
    """Load the study named, else the one in this folder, else the demo study below it."""
    from quietsleep.study.study import load_study

    return load_study(_folder_of_study(path))


def _folder_of_study(path: Path | None) -> Path:
    places = [path] if path else [Path(), Path("demo")]
    return next((p for p in places if (p / "study.toml").is_file()), places[0]).resolve()


def check(
    delivery: Annotated[Path, typer.Argument(help="Delivery folder or .zip, before it is sent.")],
    study: StudyOption = None,
    judge: Annotated[
        bool, typer.Option("--judge/--no-judge", help="Measure and judge what is in it.")
    ] = True,
    as_json: AsJson = False,
) -> None:
    """Check a delivery as the night will, before it is sent.

    Same contract, rules and sentences; its tests are judged by what is in it alone.
    """
    from quietsleep.cli.as_json import of_preview, print_json
    from quietsleep.cli.terminal import print_judged, print_preview
    from quietsleep.measure.pool import InProcess
    from quietsleep.night.preview import preview
    from quietsleep.night.trial_run import TrialTest, tests_of, trial_night

    loaded = open_study(study)
    seen = preview(loaded, delivery)
    if not as_json:
        print_preview(seen)
    tests: list[TrialTest] = []
    if judge and seen.centre:
        place, pool = delivery.resolve(), InProcess()
        with trial_night(loaded, pool, centre=seen.centre, deliveries=[place]) as night:
            tests = tests_of(night)
            if not as_json:
                print_judged(night)
    if as_json:
        print_json("check", of_preview(seen, tests))
    if not seen.is_ready:
        raise typer.Exit(PROBLEMS_FOUND)


def why(
    session: Annotated[str, typer.Argument(help="Session code, as on the pages.")],
    study: StudyOption = None,
) -> None:
    """Say why tests of a session were rejected or flagged.

    In words, and with what to do next time.
    """
    from quietsleep.cli.terminal import print_why
    from quietsleep.warehouse.integrity import open_as_published

    with open_as_published(open_study(study).path) as warehouse:
        if not print_why(warehouse, session):
            raise QuietsleepError(
                f"No session {session} in the warehouse. Sessions are named on the pages."
            )


def look(
    study: StudyArgument,
    *,
    centre: Annotated[str | None, typer.Option(help="Show the pages of one centre only.")] = None,
    port: Annotated[
        int, typer.Option(help="Port to listen on [default: a free one].", show_default=False)
    ] = 0,
    browser: Annotated[bool, typer.Option(help="Open the browser.")] = True,
    with_access: Annotated[
        bool, typer.Option("--with-access", help="Ask for a token; see quietsleep access.")
    ] = False,
    host: Annotated[
        str, typer.Option(help="Address to listen on; another than this machine by token only.")
    ] = "127.0.0.1",
    certificate: Annotated[Path | None, typer.Option(help="TLS certificate, PEM.")] = None,
    key: Annotated[Path | None, typer.Option(help="Key of the certificate, PEM.")] = None,
) -> None:
    """Serve the pages and open them, on this machine only.

    Others see them where tokens are asked for.
    """
    from quietsleep.server.app import SiteApp, open_pages
    from quietsleep.server.serve import Place, is_loopback, open_door

    loaded = open_study(study)
    centre = loaded.code_now(centre) if centre else None
    if not is_loopback(host) and not with_access:
        raise QuietsleepError("Other machines see the pages only with --with-access.")
    if centre is not None and (centre not in loaded.centres or with_access):
        raise QuietsleepError(
            f"--centre is one of {', '.join(loaded.centres)}, without --with-access."
        )
    folder = loaded.path / "pages" / (centre or "")
    start = "" if centre or with_access else "overview/"
    if not (folder / ("" if centre else "overview") / "index.html").is_file():
        raise QuietsleepError(f"There are no pages yet. Run: quietsleep nightly {study}")
    shown: ASGIApp = open_pages(folder)
    log, limits = None, loaded.door_limits
    if with_access:
        is_secure = certificate is not None or limits.is_public_by_tls
        shown = site = SiteApp(
            loaded.path,
            loaded.work_path,
            is_secure=is_secure,
            renamed=loaded.renamed,
            title=loaded.title,
            limits=limits,
        )
        log = site.log
    door = open_door(shown, Place(host, port, certificate, key), limits, log=log)
    address = f"{door.address}{start}"
    typer.echo(f"{address}   (stop with Ctrl-C)")
    if not is_loopback(host) and certificate is None:
        typer.echo("Tokens cross the network unencrypted: give --certificate and --key.", err=True)
    if browser and is_loopback(host):
        typer.launch(address)
    door.run()


def sql(
    statement: Annotated[
        str, typer.Argument(help="One SQL statement; the warehouse is opened read-only.")
    ],
    study: StudyOption = None,
    *,
    csv: Annotated[bool, typer.Option("--csv", help="Print as csv.")] = False,
    seconds: Annotated[float, typer.Option(help="It may take so long.", min=0.01)] = 300.0,
    memory_gb: Annotated[float, typer.Option(help="It may take so much memory.", min=0.01)] = 2.0,
    as_json: AsJson = False,
) -> None:
    """Ask the published warehouse in SQL; nothing can be written."""
    from quietsleep.cli.as_json import of_rows, print_json
    from quietsleep.cli.terminal import print_rows
    from quietsleep.warehouse.database import QueryLimits, query_rows, run_query
    from quietsleep.warehouse.integrity import open_as_published

    limits = QueryLimits(memory_gb=memory_gb, seconds=seconds)
    if csv and as_json:
        raise QuietsleepError("One form at a time: --csv or --json.")
    # What was published says all, and to load a study takes longer than to ask it.
    folder = _folder_of_study(study)
    if not (folder / "study.toml").is_file():
        folder = open_study(study).path
    with open_as_published(folder, limits) as warehouse:
        if as_json:
            print_json("sql", of_rows(query_rows(warehouse, statement, limits)))
        elif csv:
            run_query(warehouse, statement, limits).to_csv(sys.stdout, index=False)
        else:
            print_rows(query_rows(warehouse, statement, limits))


def rejudge(study: StudyArgument) -> None:
    """Judge stored measures by the rules of now.

    With the waivers and the decisions of readers; no signal is read.
    """
    from quietsleep.cli.terminal import print_rejudged
    from quietsleep.night.rejudge import rejudge_study
    from quietsleep.store.processes import ended_at_once

    with ended_at_once():
        rejudged = rejudge_study(open_study(study).path)
    print_rejudged(rejudged)
    if rejudged.report.exit_code:
        raise typer.Exit(rejudged.report.exit_code)


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
) -> None:
    """List trials that wait for a reader."""
    from quietsleep.cli.terminal import print_waiting
    from quietsleep.review.desk import waiting_trials

    rows = waiting_trials(open_study(study))
    for name, wanted in (("centre", centre), ("technique", technique)):
        if wanted is not None:
            rows = rows[rows[name] == wanted]
    if reader is not None:
        rows = rows[rows["readers"].map(lambda readers: reader not in readers).astype(bool)]
    print_waiting(rows, limit=limit, blind=blind)


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
    """Write down what a reader decided of one trial.

    It counts from the next night or rejudge on.
    """
    from quietsleep.review.desk import write_down

    written = write_down(
        open_study(study),
        trial,
        centre=centre,
        reader=reader,
        decision="accept" if accept else "reject",
        reason=reason,
        note=note,
        blind=blind,
        new_reader=new_reader,
    )
    typer.echo(
        f"{written.review}: {written.reader} {written.decision}s {written.trial} of "
        f"{written.centre}. It counts from the next night on, or now with: "
        f"quietsleep rejudge {study}"
    )


def withdraw(
    study: StudyArgument,
    *,
    centre: Annotated[str, typer.Option(help="Centre of the infant or session.")],
    infant: Annotated[str, typer.Option(help="Pseudonym of the infant.")] = "",
    session: Annotated[str, typer.Option(help="Code of a session.")] = "",
    reason: Annotated[str, typer.Option(help="Why; kept in the study register.")] = "",
    by: Annotated[str, typer.Option(help="Code of who withdraws it, never a name.")] = "",
    erase_deliveries: Annotated[
        bool, typer.Option("--erase-deliveries", help="Remove its files and rows there as well.")
    ] = False,
    not_delivered_yet: Annotated[
        bool, typer.Option("--not-delivered-yet", help="Leave out what may come of it.")
    ] = False,
) -> None:
    """Take an infant or a session out for good.

    Nothing of it is kept or published any more.
    """
    from quietsleep.cli.terminal import print_withdrawn
    from quietsleep.night.withdrawal import Withdrawal
    from quietsleep.night.withdrawal import withdraw as take_out

    wanted = Withdrawal(centre, reason, by, infant=infant, session=session)
    report = take_out(
        open_study(study),
        wanted,
        erase_deliveries=erase_deliveries,
        not_delivered_yet=not_delivered_yet,
    )
    print_withdrawn(report, study)


def register(
    study: StudyArgument,
    *,
    mend: Annotated[bool, typer.Option("--mend", help="Put back what was written down.")] = False,
    meant: Annotated[
        bool, typer.Option("--meant", help="Let the register count as it is now.")
    ] = False,
    new_key: Annotated[
        bool, typer.Option("--new-key", help="Seal it anew: its key is lost for good.")
    ] = False,
    by: Annotated[str, typer.Option(help="Code of who says so, never a name.")] = "",
    reason: Annotated[str, typer.Option(help="Why; kept in the register.")] = "",
) -> None:
    """Say whether the study register is as it was written.

    Mend it, or say that it counts as it is.
    """
    from quietsleep.review.registrar import look_at_register, mend_register, say_meant

    loaded = open_study(study)
    if sum([mend, meant, new_key]) > 1:
        raise QuietsleepError("One thing at a time: --mend, --meant or --new-key.")
    if mend:
        typer.echo(mend_register(loaded))
    elif meant or new_key:
        typer.echo(say_meant(loaded, by=by, reason=reason, with_new_key=new_key))
    else:
        typer.echo(look_at_register(loaded))


def queries(
    study: StudyArgument,
    *,
    centre: Annotated[str | None, typer.Option(help="Queries of this centre only.")] = None,
    only_open: Annotated[
        bool, typer.Option("--open", help="Leave out what is answered or closed.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """List all that a person has to look at: the data queries.

    The most urgent come first.
    """
    from quietsleep.cli.as_json import of_queries, print_json
    from quietsleep.cli.terminal import print_queries
    from quietsleep.review.answers import list_queries

    rows = list_queries(open_study(study), centre)
    shown = rows[rows["state"] == "open"] if only_open else rows
    if as_json:
        print_json("queries", of_queries(shown, total=rows))
    else:
        print_queries(shown, total=rows)


def answer(
    study: StudyArgument,
    query: Annotated[int, typer.Argument(help="Number, as 'quietsleep queries' names it.")],
    words: Annotated[str, typer.Argument(help="What was found or done; nothing about a person.")],
    *,
    by: Annotated[str, typer.Option(help="Your code as a reader, never a name.")],
    close: Annotated[
        bool,
        typer.Option("--close", help="Close it: nothing is left to do, or an alert is signed."),
    ] = False,
    new_reader: Annotated[
        bool, typer.Option("--new-reader", help="Needed with a code not used before.")
    ] = False,
) -> None:
    """Answer a data query, or close it.

    The next night publishes what was said.
    """
    from quietsleep.review.answers import answer_query

    written = answer_query(
        open_study(study), query, words, by=by, close=close, new_reader=new_reader
    )
    until = (
        "It stays closed while the facts are what they are."
        if written.state == "closed"
        else "It is not open any more; with other facts, or when its cause is gone and comes "
        "back, it is open again."
    )
    typer.echo(f"Query {written.number} is {written.state} by {written.answered_by}. {until}")


def pages(study: StudyArgument) -> None:
    """Write the pages of the published night again.

    Nothing is measured or judged.
    """
    from quietsleep.night.stages import rebuild_pages
    from quietsleep.store.processes import ended_at_once

    with ended_at_once():
        report = rebuild_pages(open_study(study).path)
    typer.echo(
        f"{report.n_written} files written, {report.n_kept} unchanged, {report.n_removed} removed."
    )


def fetch(
    address: Annotated[str, typer.Argument(help="Address of the warehouse, as in study.toml.")],
    folder: Annotated[Path, typer.Argument(help="Where to copy the published night to.")],
) -> None:
    """Copy the published night from a store, checked."""
    from quietsleep.intake.store import Address
    from quietsleep.study.storage import address_of, check_store
    from quietsleep.warehouse.upload import fetch as fetch_night

    checked = address_of(address, "fetch: ADDRESS")
    check_store(checked, "fetch: ADDRESS")
    night = fetch_night(Address(checked), folder.resolve())
    typer.echo(f"Night {night.name} is in {night}; {folder / 'current'} leads to it.")
