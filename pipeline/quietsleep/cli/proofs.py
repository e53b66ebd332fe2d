"""The commands that prove or compare what was published: parse words, call one stage, print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from quietsleep.cli.commands import (
    AsJson,
    ReleaseArgument,
    StudyArgument,
    StudyOption,
    open_study,
)
from quietsleep.errors import PROBLEMS_FOUND, QuietsleepError, StudyError

if TYPE_CHECKING:
    from quietsleep.study.study import Study


def verify(
    release: ReleaseArgument,
    digest: Annotated[
        str, typer.Option(help="Digest of the whole, as the release is cited with.")
    ] = "",
    as_json: AsJson = False,
) -> None:
    """Prove that a release is unchanged, or name what is not.

    Its digest of the whole is asked of the study register, where it lies in its study.
    """
    from quietsleep.cli.as_json import of_release, print_json
    from quietsleep.warehouse.errata import superseded_by
    from quietsleep.warehouse.proof import prove
    from quietsleep.warehouse.registered import release_said

    if not release.is_dir():
        raise QuietsleepError(f"{release} is no folder of a release.")
    proof = prove(release, digest=digest, known=release_said(release))
    if as_json:
        print_json("verify", of_release(proof))
    else:
        for sentence in proof.differences or ["Every file is as its checksum says."]:
            typer.echo(sentence)
        vouched = f", as {proof.by} says." if proof.by and not proof.differences else "."
        typer.echo(f"Digest of the whole: {proof.digest}{vouched}")
        if not proof.by:
            typer.echo(
                "Files and checksums may have been changed together: compare the digest with the "
                "one that is cited, or give that one with --digest."
            )
        for sentence in superseded_by(release):
            typer.echo(sentence)
    if proof.differences:
        raise typer.Exit(PROBLEMS_FOUND)


def diff(
    before: Annotated[
        str, typer.Argument(help="Night or release, by its name in the study or its folder.")
    ],
    after: Annotated[str, typer.Argument(help="Night or release that is held against it.")],
    *,
    study: StudyOption = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for all of it: sessions.parquet, cells.parquet.")
    ] = None,
    cells: Annotated[int, typer.Option(help="Cells to print; --out has all.", min=0)] = 30,
) -> None:
    """Say what differs between two nights or releases.

    Session by session in words, then by cell; causes are evidence in the tables, never guesses.
    """
    from quietsleep.cli.terminal import print_comparison
    from quietsleep.warehouse.compare import compare, name_of, place_of, write_comparison

    try:
        loaded = open_study(study)
    except StudyError:
        if study is not None:
            raise
        loaded = None
    places = [place_of(said, loaded.path if loaded else Path()) for said in (before, after)]
    for said, place in zip((before, after), places, strict=True):
        if place is None:
            raise QuietsleepError(
                f"{said} is neither the folder nor the name of a night or release."
            )
    one, other = (place for place in places if place is not None)
    taken_out, note = _withdrawn(loaded)
    found = compare(one, other, withdrawn=taken_out)
    print_comparison(found, before=name_of(one), after=name_of(other), n_cells=cells, note=note)
    if out is not None:
        write_comparison(found, out)
        typer.echo(f"Written to {out}")


def _withdrawn(study: Study | None) -> tuple[frozenset[tuple[str, str]], str]:
    """Return what was taken out of a study, and what is to be said where nobody can tell."""
    from quietsleep.study.register_key import KeyMissing
    from quietsleep.study.review_log import ReviewError
    from quietsleep.warehouse.compare import withdrawn_of
    from quietsleep.warehouse.registered import open_register

    unknown = "What was withdrawn is not known here: the study register was not read."
    if study is None:
        return frozenset(), unknown
    try:
        register = open_register(study)
    except (KeyMissing, ReviewError):
        return frozenset(), unknown
    return (frozenset(), unknown) if register.broken else (withdrawn_of(register), "")


def doctor(
    study: StudyArgument,
    mend: Annotated[
        bool, typer.Option("--repair", help="Put right what can be made again.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Say what is wrong with a study's own files after a mishap.

    Nothing is changed unasked.
    """
    from quietsleep.cli.as_json import of_findings, print_json
    from quietsleep.night.doctor import examine, repair

    findings = examine(open_study(study))
    if mend:
        told = list(repair(findings))
    else:
        told = [(f, f"{'--repair will' if f.mend else 'To do:'} {f.remedy}") for f in findings]
    if as_json:
        print_json("doctor", of_findings(told))
    elif not told:
        typer.echo("State, warehouse, deliveries, register and disk space are sound.")
    else:
        for finding, outcome in told:
            typer.echo(f"{finding.sentence}\n  {outcome}")
    if told:
        raise typer.Exit(PROBLEMS_FOUND)
