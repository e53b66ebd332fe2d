"""The commands that serve the desk, and give out the tokens that open it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from quietsleep.cli.commands import StudyArgument, open_study
from quietsleep.errors import QuietsleepError


def desk(
    study: StudyArgument,
    *,
    port: Annotated[
        int, typer.Option(help="Port to listen on [default: a free one].", show_default=False)
    ] = 0,
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    certificate: Annotated[Path | None, typer.Option(help="TLS certificate, PEM.")] = None,
    key: Annotated[Path | None, typer.Option(help="Key of the certificate, PEM.")] = None,
    proxy: Annotated[
        str | None,
        typer.Option(help="Address of a proxy in front of it that ends TLS, such as 127.0.0.1."),
    ] = None,
) -> None:
    """Serve the desk, where centres deliver, read and answer.

    By token: they hand over deliveries, read their pages, answer their queries; readers read.
    """
    from quietsleep.server.app import SiteApp
    from quietsleep.server.callers import is_address
    from quietsleep.server.desk import Desk
    from quietsleep.server.handover import conflicts
    from quietsleep.server.reading import BlindReading
    from quietsleep.server.serve import Place, is_loopback, open_door

    loaded = open_study(study)
    for sentence in conflicts(loaded):
        raise QuietsleepError(sentence)
    if proxy is not None and not is_address(proxy):
        raise QuietsleepError("--proxy is the address of one machine, such as 127.0.0.1.")
    limits = loaded.door_limits
    behind = bool(proxy or limits.proxies)
    shown = SiteApp(
        loaded.path,
        loaded.work_path,
        is_secure=certificate is not None or behind or limits.is_public_by_tls,
        renamed=loaded.renamed,
        title=loaded.title,
        desk=Desk(loaded),
        reading=BlindReading(loaded),
        limits=limits,
    )
    place = Place(host, port, certificate, key)
    door = open_door(shown, place, limits, proxies=[proxy] if proxy else [], log=shown.log)
    typer.echo(f"{door.address}   (stop with Ctrl-C)")
    if not (is_loopback(host) or certificate or behind):
        typer.echo("Tokens cross the network unencrypted: give --certificate and --key.", err=True)
    door.run()


def access(
    study: StudyArgument,
    issue: Annotated[
        str | None, typer.Option(help="Make a token for a centre; it is shown this once.")
    ] = None,
    issue_all: Annotated[
        bool, typer.Option("--issue-all", help="Make a token that opens the pages of all centres.")
    ] = False,
    reader: Annotated[
        str | None,
        typer.Option("--issue-reader", help="Make the token of a reader, by a code, never a name."),
    ] = None,
    revoke: Annotated[str | None, typer.Option(help="Name of a token that opens no more.")] = None,
) -> None:
    """List tokens of centres and readers, make one, or revoke one."""
    from quietsleep.review.blind import note_token
    from quietsleep.review.desk import check_signer
    from quietsleep.review.registrar import look_at_register
    from quietsleep.server.access import Tokens

    loaded = open_study(study)
    tokens = Tokens(loaded.path, loaded.renamed)
    if issue is not None and issue not in loaded.centres:
        raise QuietsleepError(f"No centre {issue}. Centres: {', '.join(loaded.centres)}.")
    if sum([issue is not None, issue_all, reader is not None, revoke is not None]) > 1:
        raise QuietsleepError(
            "One thing at a time: --issue, --issue-all, --issue-reader or --revoke."
        )
    if reader is not None:
        check_signer(reader)
        look_at_register(loaded)  # without a sound one no token is made
        text = tokens.issue_reader(reader)
        if (made := tokens.prove(text)) is not None:
            note_token(loaded, reader, bytes.fromhex(made.hash))
        typer.echo(text)
    elif issue is not None or issue_all:
        typer.echo(tokens.issue(issue or ""))
    elif revoke is not None:
        typer.echo(f"{tokens.revoke(revoke).name} opens nothing any more.")
    else:
        for token in tokens.list():
            ended = f"revoked {token.revoked_at}" if token.revoked_at else "stands"
            typer.echo(f"{token.name}  {token.whose}  {token.issued_at}  {ended}")
