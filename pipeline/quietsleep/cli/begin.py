"""The commands that begin: a study, a centre of one, the tables that a centre fills in."""

from __future__ import annotations

import sys
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from quietsleep.cli.commands import StudyArgument, StudyOption, open_study
from quietsleep.errors import StudyError

if TYPE_CHECKING:
    from quietsleep.study.begin import NewCentre

Code = Annotated[str, typer.Option(help="Code of the centre, such as larch.")]
CentreTitle = Annotated[str, typer.Option(help="What the centre is called on pages.")]
Device = Annotated[str, typer.Option(help="Code of its measuring set [default: CENTRE-set-1].")]
TimeZone = Annotated[str, typer.Option(help="Time zone of the centre, such as Europe/Lisbon.")]
Altitude = Annotated[
    float | None, typer.Option(help="Height of the laboratory above sea level, m.")
]


def init(
    study: Annotated[Path, typer.Argument(help="Folder of the new study.")],
    *,
    code: Annotated[str, typer.Option(help="Code of the study [default: the folder].")] = "",
    title: Annotated[str, typer.Option(help="What the study is called on pages.")] = "",
    centre: Code = "",
    centre_title: CentreTitle = "",
    device: Device = "",
    time_zone: TimeZone = "",
    altitude_m: Altitude = None,
) -> None:
    """Begin a study: its files, one centre, a key, an example.

    The key is that of the study register. In a terminal it asks for what is not given.
    """
    from quietsleep.simulation.example import write_example
    from quietsleep.study.begin import begin_study
    from quietsleep.study.register_witness import forget
    from quietsleep.warehouse.registered import open_register

    if (study / "study.toml").exists():
        raise StudyError(
            f"{study} is a study already. 'quietsleep init-centre {study}' adds a centre to it."
        )
    name = code or _asked("Code of the study", study.resolve().name)
    new = _new_centre(centre, centre_title, device, time_zone, altitude_m)
    begun = begin_study(
        study, study=name, title=title or _asked("Title of the study", name), centre=new
    )
    forget(study)  # of one that lay in this folder before
    register = open_register(begun)
    example = study / "example" / f"{new.centre}-01"
    write_example(
        example,
        centre=new.centre,
        device=next(iter(begun.devices)),
        altitude_m=new.altitude_m,
        day=date.today() - timedelta(days=2),
    )
    typer.echo(
        f"\n{study}/study.toml and {study}/centres/{new.centre}.toml are written; each line says "
        "what it is for.\n"
        f"The register of the study is sealed with the key {register.key_path}: keep a copy of it "
        "in another place.\n"
        f"{example} holds tables and signals of an invented session, to try it all with; no night "
        "reads it there."
    )
    _say_next(study, new.centre)


def init_centre(
    study: StudyArgument,
    *,
    centre: Code = "",
    title: CentreTitle = "",
    device: Device = "",
    time_zone: TimeZone = "",
    altitude_m: Altitude = None,
) -> None:
    """Add a centre: its file, and the folder of its deliveries."""
    from quietsleep.study.begin import begin_centre

    loaded = open_study(study)
    new = _new_centre(centre, title, device, time_zone, altitude_m)
    begin_centre(loaded, new)
    typer.echo(f"{study}/centres/{new.centre}.toml is written; each line says what it is for.")
    _say_next(study, new.centre)


def templates(
    folder: Annotated[Path, typer.Argument(help="Where to write them.")],
    workbook: Annotated[
        bool, typer.Option("--workbook", help="One .xlsx with a sheet a table.")
    ] = False,
) -> None:
    """Write empty tables of a delivery to fill in.

    And what each column holds.
    """
    from quietsleep.intake.templates import write_templates

    written = write_templates(folder, as_workbook=workbook)
    typer.echo(f"Written to {folder}: {', '.join(file.name for file in written)}.")


def pack(
    folder: Annotated[Path, typer.Argument(help="Folder with the tables and signal files.")],
    *,
    centre: Code = "",
    study: StudyOption = None,
    delivery: Annotated[str, typer.Option(help="Name of the delivery [default: the folder].")] = "",
    replaces: Annotated[
        list[str] | None,
        typer.Option(help="A session of which all recordings are replaced; may be said again."),
    ] = None,
    note: Annotated[str, typer.Option(help="Your words; nothing about a person.")] = "",
    zipped: Annotated[
        bool, typer.Option("--zip", help="Write one .zip beside the folder as well.")
    ] = False,
) -> None:
    """Seal a folder as a delivery: write delivery.json.

    It holds size and digest of every file.
    """
    from quietsleep.intake.pack import pack_delivery

    name = delivery or folder.resolve().name
    packed = pack_delivery(
        folder,
        centre=_centre_of(centre, study),
        delivery=name,
        note=note,
        replaces=replaces or (),
        zipped=zipped,
    )
    megabytes = packed.seal.n_bytes / 1e6
    typer.echo(
        f"Sealed as {name}: {packed.seal.n_files} files, {megabytes:.1f} MB, "
        f"{packed.path}.\nBefore it is sent: quietsleep check {packed.path}"
        + (f" --study {study}" if study else "")
    )


def _centre_of(centre: str, study: Path | None) -> str:
    """Return the centre that is named, or the only one of the study."""
    if centre:
        return centre
    centres = list(open_study(study).centres)
    if len(centres) != 1:
        raise StudyError(f"Say whose delivery it is with --centre: {', '.join(centres)}.")
    return centres[0]


def _new_centre(
    centre: str, title: str, device: str, time_zone: str, altitude_m: float | None
) -> NewCentre:
    """Put what is said of a centre together; ask for the rest where somebody sits there."""
    from quietsleep.study.begin import NewCentre

    code = centre or _asked("Code of the centre, such as larch", "")
    if not code:
        raise StudyError("Say which centre with --centre, a code such as larch.")
    if altitude_m is None and (said := _asked("Height above sea level in m, or empty", "")):
        try:
            altitude_m = float(said)
        except ValueError:
            raise StudyError(f"The height is {said!r}; give a number of metres.") from None
    return NewCentre(
        code,
        title=title or _asked("Title of the centre", code),
        time_zone=time_zone or _asked("Time zone", "UTC"),
        altitude_m=altitude_m,
        device=device or _asked("Code of the measuring set", f"{code}-set-1"),
    )


def _asked(question: str, default: str) -> str:
    """Ask in a terminal; elsewhere nobody answers, and the default is meant."""
    if not sys.stdin.isatty():
        return default
    answer: str = typer.prompt(question, default=default, show_default=bool(default))
    return answer.strip()


def _say_next(study: Path, centre: str) -> None:
    typer.echo(
        f"\nNext:\n"
        f"  quietsleep device try EXPORT --study {study} --centre {centre}\n"
        f"      looks at a file that the device wrote, and proposes its entry\n"
        f"  quietsleep templates TABLES\n"
        f"      writes the tables that the centre fills in\n"
        f"  quietsleep pack FOLDER --study {study} --centre {centre}\n"
        f"      seals tables and signal files as a delivery\n"
        f"  quietsleep nightly {study}\n"
        f"      runs a night"
    )
