"""Commands for the pages: write them again, look at them in a browser."""

from __future__ import annotations

from typing import Annotated

import typer

from pipeline.cli_app import ALREADY_RUNNING, StudyArgument, app, open_study, stop


@app.command(epilog="Example: quietsleep pages study")
def pages(study: StudyArgument) -> None:
    """Write the pages of the published night again, without measuring or judging."""
    from pipeline.stages import rebuild_pages
    from pipeline.state import NightRunning
    from pipeline.warehouse.current import WarehouseError

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
    centre: Annotated[str | None, typer.Option(help="Show the pages of one centre only.")] = None,
    port: Annotated[
        int | None, typer.Option(help="Port to listen on [default: a free one].")
    ] = None,
    browser: Annotated[bool, typer.Option(help="Open the browser.")] = True,
) -> None:
    """Serve the pages on this machine only, print their address and open them."""
    from pipeline.pages.serve import LOOPBACK, free_port, serve

    loaded = open_study(study)
    if centre is not None and centre not in loaded.centres:
        raise stop(f"No centre {centre}. Centres: {', '.join(loaded.centres)}.")
    folder = loaded.path / "pages" / (centre or "")
    start = "" if centre else "overview/"
    if not (folder / start / "index.html").is_file():
        raise stop(f"There are no pages yet. Run: quietsleep nightly {study}")
    number = port or free_port()
    address = f"http://{LOOPBACK}:{number}/{start}"
    typer.echo(f"{address}   (stop with Ctrl-C)")
    if browser:
        typer.launch(address)
    serve(folder, port=number)
