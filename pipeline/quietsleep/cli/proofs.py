"""The commands that prove or compare what was published: parse words, call one stage, print."""

from __future__ import annotations

from typing import Annotated

import typer

from quietsleep.cli.commands import AsJson, ReleaseArgument, StudyArgument, open_study
from quietsleep.errors import PROBLEMS_FOUND, QuietsleepError


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
    if proof.differences:
        raise typer.Exit(PROBLEMS_FOUND)


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
