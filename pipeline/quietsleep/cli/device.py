"""The command `quietsleep device`: what a centre's export means, told before it is registered."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterator, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from quietsleep.errors import PROBLEMS_FOUND, QuietsleepError

if TYPE_CHECKING:
    from quietsleep.night.device.propose import Proposal
    from quietsleep.night.device.trial import TriedEntry
    from quietsleep.study.devices import GasState
    from quietsleep.study.study import Study

app = typer.Typer(
    help="Look at the export of a device, and register it.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
)
_EXAMPLE = "Example: quietsleep device try Tidal_001.txt --weight-kg 6.2"


@app.callback()
def _group() -> None: ...


@app.command("try", epilog=_EXAMPLE)
def device_try(
    file: Annotated[Path, typer.Argument(help="One recording, as the device exports it.")],
    *,
    study: Annotated[
        Path | None, typer.Option("--study", envvar="QUIETSLEEP_STUDY", help="Study folder.")
    ] = None,
    centre: Annotated[str, typer.Option(help="Centre whose file gets the entry.")] = "",
    device: Annotated[str, typer.Option(help="Code of the device.")] = "",
    weight_kg: Annotated[
        float | None, typer.Option("--weight-kg", help="Weight of the infant that was recorded.")
    ] = None,
    column: Annotated[
        list[str] | None,
        typer.Option(help="Say what a column is: 'NAME=flow'; repeatable."),
    ] = None,
    unit: Annotated[
        list[str] | None, typer.Option(help="Say a unit: 'flow=L/s'; repeatable.")
    ] = None,
    positive: Annotated[
        list[str] | None, typer.Option(help="Say a sign: 'flow=expiration'; repeatable.")
    ] = None,
    equipment_class: Annotated[
        str, typer.Option("--equipment-class", help="Class of the equipment, in your words.")
    ] = "",
    gas_state: Annotated[
        str, typer.Option("--gas-state", help="measured (at the flow head) or btps.")
    ] = "",
    valid_from: Annotated[
        str,
        typer.Option(
            "--valid-from",
            help="First day of the entry [default: the beginning; later ones: today].",
        ),
    ] = "",
    write: Annotated[
        bool, typer.Option("--write", help="Add the entry to the file of the centre.")
    ] = False,
    picture: Annotated[
        Path | None, typer.Option(help="Draw all channels into this .html or .svg file.")
    ] = None,
) -> None:
    """Propose the entry of a device from one of its exports, and say what it would measure."""
    from quietsleep.intake.propose.dialect import NoTable
    from quietsleep.intake.propose.export import open_export
    from quietsleep.night.device.entry import dated, entry_text
    from quietsleep.night.device.picture import write_picture
    from quietsleep.night.device.propose import SaidOfExport, propose
    from quietsleep.night.device.trial import try_entry
    from quietsleep.study.devices import FIRST_DAY

    told = SaidOfExport(
        columns=_pairs(column, "--column"),
        units=_pairs(unit, "--unit"),
        positive=_pairs(positive, "--positive"),
        gas_state=_gas_state(gas_state),
        equipment_class=equipment_class,
        weight_kg=float("nan") if weight_kg is None else weight_kg,
    )
    if write and not (centre and device):
        raise QuietsleepError("--write needs --study, --centre and --device.")
    loaded = _study(study, needed=write or bool(centre))
    like = loaded.devices.get(device) if loaded else None
    day = _day(valid_from, is_further=like is not None)
    _refuse_other(loaded, centre, device)
    try:
        export = open_export(file)
    except NoTable as error:
        raise QuietsleepError(f"{file.name}: {error}") from None
    proposal = propose(
        export, told=told, device=device or "device-1", centre=centre or "centre", like=like
    )
    _print(_about(proposal))
    trial = None
    if proposal.recording is not None:
        trial = try_entry(proposal, weight_kg=told.weight_kg)
        _print(_measured(proposal, trial))
    if picture is not None:
        write_picture(proposal, picture)
        typer.echo(f"\nDrawn into {picture}")
    if proposal.asks:
        _print(["", "To be known first:"])
        for ask in proposal.asks:
            _print(textwrap.wrap(f"- {ask}", _columns() - 2, subsequent_indent="  "))
        raise typer.Exit(PROBLEMS_FOUND)
    entry = dated(proposal.device, day)
    text = entry_text(proposal, entry)
    since = "the beginning" if day == FIRST_DAY else str(day)
    typer.echo(f"\nThe entry, which holds from {since} on:\n\n{text}")
    if trial is not None and not trial.is_possible:
        typer.echo("Not to be registered like this: no infant has these numbers.")
        raise typer.Exit(PROBLEMS_FOUND)
    _write(loaded, centre, text, wanted=write)


def _columns() -> int:
    return shutil.get_terminal_size((80, 24)).columns


def _write(loaded: Study | None, centre: str, text: str, *, wanted: bool) -> None:
    from quietsleep.night.device.entry import add_entry

    if not wanted or loaded is None:
        typer.echo("Nothing was written. Add it with --study, --centre, --device and --write.")
        return
    path = add_entry(loaded, centre, text)
    typer.echo(f"Added to {path}; what stood there is as it was.")


def _study(path: Path | None, *, needed: bool) -> Study | None:
    from quietsleep.study.study import load_study

    if path is None and not needed:
        return None
    return load_study((path or Path()).resolve())


def _refuse_other(loaded: Study | None, centre: str, device: str) -> None:
    if loaded is None or not centre:
        return
    if centre not in loaded.centres:
        raise QuietsleepError(f"No centre {centre}. Centres: {', '.join(loaded.centres)}.")
    known = loaded.devices.get(device)
    if known is not None and known.centre != centre:
        raise QuietsleepError(f"Device {device} is registered at {known.centre}.")


def _pairs(said: Sequence[str] | None, option: str) -> dict[str, str]:
    found = {}
    for each in said or ():
        name, mark, value = each.rpartition("=")
        if not mark or not name.strip() or not value.strip():
            raise QuietsleepError(f"Write {option} as NAME=VALUE, not {each}.")
        found[name.strip()] = value.strip()
    return found


def _gas_state(text: str) -> GasState | None:
    if text in {"measured", "btps"}:
        return text  # type: ignore[return-value]
    if text:
        raise QuietsleepError(f"--gas-state is measured or btps, not {text}.")
    return None


def _day(text: str, *, is_further: bool) -> date:
    from quietsleep.study.devices import FIRST_DAY

    if not text:
        return date.today() if is_further else FIRST_DAY
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        raise QuietsleepError(f"--valid-from is a day such as 2026-03-31, not {text}.") from None


def _print(lines: Iterator[str] | Sequence[str]) -> None:
    for line in lines:
        typer.echo(line)


def _about(proposal: Proposal) -> Iterator[str]:
    """Say what the export is, and each part of the entry with how sure it is."""
    export = proposal.export
    first = next(iter(export.samples.values()))
    yield (
        f"{export.path.name}: {export.file_format}, {first.size} samples, "
        f"{first.size / export.rate_hz:.1f} s"
    )
    if (dialect := export.dialect) is not None:
        marks = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", ".": "point"}
        yield _row("columns by", marks[dialect.delimiter], "stands in the file")
        yield _row("decimal mark", marks[dialect.decimal], "stands in the file")
        yield _row("encoding", dialect.encoding, "stands in the file")
        row = dialect.skip_lines + 1
        below = f", units in row {row + 1}" if dialect.units_row else ""
        yield _row("heading", f"in row {row}{below}", "stands in the file")
    if export.time_column:
        words = {"clock": "a clock", "date_time": "date and time"}
        told = words.get(export.time_format, export.time_format)
        yield _row("time", f"{export.time_column}: {told}", export.time_sure)
    yield _row("rate", f"{export.rate_hz:g} Hz", export.rate_sure)
    for channel in proposal.channels:
        yield ""
        yield _row(channel.channel, channel.column, channel.named)
        yield _row("  unit", channel.unit or "?", channel.unit_sure)
        yield _row(
            "  positive in" if channel.channel == "flow" else "  positive",
            channel.positive,
            channel.sign_sure,
        )
        if channel.hint:
            yield f"  {channel.hint}"
    if proposal.unread:
        yield ""
        yield "Not read:"
        for name, why in proposal.unread:
            yield f"  {name}: {why}"


def _row(name: str, value: str, sure: str) -> str:
    return f"{name:<17} {value:<30} {sure}".rstrip()


def _measured(proposal: Proposal, trial: TriedEntry) -> Iterator[str]:
    from quietsleep.night.device.picture import busiest, draw

    assert proposal.recording is not None
    part = busiest(proposal.recording)
    yield ""
    yield from draw(proposal.recording, "flow_ml_s", columns=_columns(), part=part)
    if "airway_pressure" in proposal.recording.pressures_kpa:
        yield from draw(proposal.recording, "airway_pressure_kpa", columns=_columns(), part=part)
    yield ""
    is_head = proposal.device.gas_state == "measured"
    yield "It would measure" + (" (room of 23 °C and 50 % humidity assumed):" if is_head else ":")
    for line in (*trial.lines, *trial.sentences):
        yield from textwrap.wrap(
            str(line), _columns(), initial_indent="  ", subsequent_indent="    "
        )
