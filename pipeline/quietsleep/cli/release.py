"""Commands for what leaves the study: release, verify, export."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from quietsleep.cli.app import PROBLEMS_FOUND, StudyArgument, app, open_study, stop

ReleaseArgument = Annotated[Path, typer.Argument(help="Folder of the release.")]


@app.command(epilog="Example: quietsleep release study 2026-spring")
def release(
    study: StudyArgument,
    label: Annotated[str, typer.Argument(help="Name of the release, such as 2026-spring.")],
    anyway: Annotated[
        str | None, typer.Option(help="Why a red night is released all the same; recorded.")
    ] = None,
) -> None:
    """Freeze the published night as a checksummed copy that can be cited."""
    from quietsleep.errors import WarehouseError
    from quietsleep.warehouse.release import make_release, release_digest

    try:
        folder = make_release(open_study(study).path, label, anyway=anyway)
    except WarehouseError as error:
        raise stop(str(error)) from error
    typer.echo(f"Released as {folder}\nsha256 of the whole: {release_digest(folder)}")


@app.command(epilog="Example: quietsleep verify study/warehouse/releases/2026-spring")
def verify(release: ReleaseArgument) -> None:
    """Prove that a release is unchanged, or name every file that is not."""
    from quietsleep.warehouse.release import verify_release

    differences = verify_release(release)
    for sentence in differences:
        typer.echo(sentence)
    if differences:
        raise typer.Exit(PROBLEMS_FOUND)
    typer.echo("Every file is as it was released.")


@app.command(epilog="Example: quietsleep export study/warehouse/releases/2026-spring --to stata")
def export(
    release: ReleaseArgument,
    to: Annotated[
        list[str], typer.Option(help="stata, spss, sas, dataset-json, csv or parquet; repeatable.")
    ],
    out: Annotated[
        Path | None, typer.Option(help="Folder to write to [default: beside the release].")
    ] = None,
    table: Annotated[
        list[str] | None, typer.Option(help="Only this table or view; repeatable.")
    ] = None,
) -> None:
    """Write a release in the formats of statistics programs, names, labels and units carried."""
    from quietsleep.errors import WarehouseError
    from quietsleep.warehouse.exports import export_release

    target = out or release.with_name(f"{release.name}-export")
    try:
        notices = export_release(release, target, to, names=table)
    except WarehouseError as error:
        raise stop(str(error)) from error
    for notice in notices:
        typer.echo(notice)
    typer.echo(f"Written to {target}")
