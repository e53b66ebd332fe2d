"""Commands for the pages: write them again, look at them in a browser, who may look."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from quietsleep.cli.app import ALREADY_RUNNING, StudyArgument, app, open_study, stop

if TYPE_CHECKING:
    from starlette.types import ASGIApp

    from quietsleep.study.study import Study


@app.command(epilog="Example: quietsleep pages study")
def pages(study: StudyArgument) -> None:
    """Write the pages of the published night again, without measuring or judging."""
    from quietsleep.errors import WarehouseError
    from quietsleep.night.stages import rebuild_pages
    from quietsleep.store.state import NightRunning

    try:
        report = rebuild_pages(open_study(study).path)
    except NightRunning as error:
        raise stop(str(error), ALREADY_RUNNING) from error
    except WarehouseError as error:
        raise stop(str(error)) from error
    typer.echo(
        f"{report.n_written} files written, {report.n_kept} unchanged, {report.n_removed} removed."
    )


@app.command(epilog="Example: quietsleep look study --centre larch")
def look(
    study: StudyArgument,
    *,
    centre: Annotated[str | None, typer.Option(help="Show the pages of one centre only.")] = None,
    port: Annotated[
        int | None, typer.Option(help="Port to listen on [default: a free one].")
    ] = None,
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
    """Serve the pages, on this machine only unless tokens are asked for, and open them."""
    from quietsleep.server.app import free_port, is_loopback, open_pages, serve

    loaded = open_study(study)
    if not is_loopback(host) and not with_access:
        raise stop("Other machines see the pages only with --with-access.")
    if centre is not None and (centre not in loaded.centres or with_access):
        raise stop(f"--centre is one of {', '.join(loaded.centres)}, without --with-access.")
    folder = loaded.path / "pages" / (centre or "")
    start = "" if centre or with_access else "overview/"
    if not (folder / ("" if centre else "overview") / "index.html").is_file():
        raise stop(f"There are no pages yet. Run: quietsleep nightly {study}")
    number = port or free_port(host)
    scheme, name = ("https" if certificate else "http"), f"[{host}]" if ":" in host else host
    address = f"{scheme}://{name}:{number}/{start}"
    typer.echo(f"{address}   (stop with Ctrl-C)")
    if not is_loopback(host) and certificate is None:
        typer.echo("Tokens cross the network unencrypted: give --certificate and --key.", err=True)
    if browser and is_loopback(host):
        typer.launch(address)
    shown = _behind_door(loaded, certificate) if with_access else open_pages(folder)
    serve(shown, port=number, host=host, certificate=certificate, key=key)


def _behind_door(study: Study, certificate: Path | None) -> ASGIApp:
    from quietsleep.server.app import SiteApp

    return SiteApp(study.path, study.work_path, is_secure=certificate is not None)


@app.command(epilog="Example: quietsleep access study --issue larch")
def access(
    study: StudyArgument,
    issue: Annotated[
        str | None, typer.Option(help="Make a token for a centre; it is shown this once.")
    ] = None,
    issue_all: Annotated[
        bool, typer.Option("--issue-all", help="Make a token that opens the pages of all centres.")
    ] = False,
    revoke: Annotated[str | None, typer.Option(help="Name of a token that opens no more.")] = None,
) -> None:
    """List the tokens that open pages, make one, or revoke one."""
    from quietsleep.server.access import AccessError, Tokens

    loaded = open_study(study)
    tokens = Tokens(loaded.path)
    if issue is not None and issue not in loaded.centres:
        raise stop(f"No centre {issue}. Centres: {', '.join(loaded.centres)}.")
    if sum([issue is not None, issue_all, revoke is not None]) > 1:
        raise stop("One thing at a time: --issue, --issue-all or --revoke.")
    try:
        if issue is not None or issue_all:
            typer.echo(tokens.issue(issue or ""))
        elif revoke is not None:
            typer.echo(f"{tokens.revoke(revoke).name} opens nothing any more.")
        else:
            for token in tokens.list():
                ended = f"revoked {token.revoked_at}" if token.revoked_at else "stands"
                typer.echo(f"{token.name}  {token.centre or 'all'}  {token.issued_at}  {ended}")
    except AccessError as error:
        raise stop(str(error)) from error
