"""The command that serves the desk."""

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
        int | None, typer.Option(help="Port to listen on [default: a free one].")
    ] = None,
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    certificate: Annotated[Path | None, typer.Option(help="TLS certificate, PEM.")] = None,
    key: Annotated[Path | None, typer.Option(help="Key of the certificate, PEM.")] = None,
    proxy: Annotated[
        str | None,
        typer.Option(help="Address of a proxy in front of it that ends TLS, such as 127.0.0.1."),
    ] = None,
) -> None:
    """Serve the desk, where centres deliver, read and answer.

    By token: they hand over deliveries, read their pages, answer their queries.
    """
    from quietsleep.server.app import SiteApp, free_port, is_address, is_loopback, serve
    from quietsleep.server.desk import Desk
    from quietsleep.server.handover import conflicts

    loaded = open_study(study)
    for sentence in conflicts(loaded):
        raise QuietsleepError(sentence)
    if proxy is not None and not is_address(proxy):
        raise QuietsleepError("--proxy is the address of one machine, such as 127.0.0.1.")
    number = port or free_port(host)
    scheme, name = ("https" if certificate else "http"), f"[{host}]" if ":" in host else host
    typer.echo(f"{scheme}://{name}:{number}/   (stop with Ctrl-C)")
    if not (is_loopback(host) or certificate or proxy):
        typer.echo("Tokens cross the network unencrypted: give --certificate and --key.", err=True)
    shown = SiteApp(
        loaded.path,
        loaded.work_path,
        is_secure=certificate is not None or proxy is not None,
        renamed=loaded.renamed,
        title=loaded.title,
        desk=Desk(loaded),
    )
    serve(shown, port=number, host=host, certificate=certificate, key=key, proxy=proxy)
