"""The commands by which data leaves the study: releases, and their exports."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from quietsleep.cli.commands import ReleaseArgument, StudyArgument, open_study
from quietsleep.errors import QuietsleepError


def release(
    study: StudyArgument,
    label: Annotated[str, typer.Argument(help="Name of the release, such as 2026-spring.")],
    anyway: Annotated[
        str | None, typer.Option(help="Why a red night is released all the same; recorded.")
    ] = None,
    supersedes: Annotated[
        str | None, typer.Option(help="Earlier release that this one takes the place of.")
    ] = None,
    why: Annotated[
        str | None, typer.Option(help="Why the earlier release is superseded; recorded.")
    ] = None,
) -> None:
    """Freeze the published night as a copy that can be cited.

    With a checksum of each file, and no day from which a date of birth follows.
    """
    from datetime import UTC, datetime

    from quietsleep.warehouse.errata import ERRATUM
    from quietsleep.warehouse.release import release_digest, release_night, running_quarter

    if why and not supersedes:
        raise QuietsleepError("--why says why an earlier release is superseded; name it as well.")
    folder = release_night(open_study(study), label, anyway=anyway, supersedes=supersedes, why=why)
    typer.echo(
        f"Released as {folder}\nDigest of the whole: {release_digest(folder)}\n"
        "The study register keeps it; cite it, so that others can ask: quietsleep verify --digest"
    )
    quarter, n_sessions = running_quarter(folder, datetime.now(UTC).date())
    if n_sessions:
        typer.echo(
            f"{n_sessions} sessions are told to be of {quarter}, which is not over: who knows the "
            "day of this release knows their days more closely than a quarter. Hand it on once "
            "the quarter is over."
        )
    if supersedes:
        typer.echo(f"Send {folder / ERRATUM} to all who have {supersedes}.")


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
    """Write a release in the formats of statistics programs.

    Names, labels and units are carried.
    """
    from quietsleep.warehouse.exports import export_release

    target = out or release.with_name(f"{release.name}-export")
    for notice in export_release(release, target, to, names=table):
        typer.echo(notice)
    typer.echo(f"Written to {target}")


def report(
    release: ReleaseArgument,
    out: Annotated[
        Path | None, typer.Option(help="Folder to write to [default: beside the release].")
    ] = None,
) -> None:
    """Write the report of a release, to read and to print.

    The flow of sessions and tests, acceptance, outcomes, agreement, comparability, methods for a
    paper, and all limits with their origin.
    """
    from quietsleep.site.report.write import write_report

    whole = release.resolve()
    target = out or whole.with_name(f"{whole.name}-report")
    typer.echo(f"Written to {write_report(release, target)}")
