"""The command for a machine that has only the address of a warehouse: fetch."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from quietsleep.cli.app import app, stop


@app.command(epilog="Example: quietsleep fetch s3://bucket/study/warehouse warehouse-copy")
def fetch(
    address: Annotated[str, typer.Argument(help="Address of the warehouse, as in study.toml.")],
    folder: Annotated[Path, typer.Argument(help="Where to copy the published night to.")],
) -> None:
    """Copy the published night from a store, checked, so that it can be opened here."""
    from quietsleep.errors import WarehouseError
    from quietsleep.intake.store import Address
    from quietsleep.study.entry import Entry
    from quietsleep.study.storage import address_in, check_store
    from quietsleep.study.study import StudyError
    from quietsleep.warehouse.upload import fetch as fetch_night

    try:
        checked = address_in(Entry({"ADDRESS": address}, "fetch"), "ADDRESS")
        check_store(checked, "fetch: ADDRESS")
        night = fetch_night(Address(checked), folder.resolve())
    except (StudyError, WarehouseError) as error:
        raise stop(str(error)) from error
    typer.echo(f"Night {night.name} is in {night}; {folder / 'current'} leads to it.")
