"""The application: the commands in the order people meet them, and the one place for errors.

Whatever ends a command early is turned into one line on standard error and an exit code here, and
nowhere else.
"""

from __future__ import annotations

from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from quietsleep.cli import begin, commands, device, nights, proofs, releasing, serving
from quietsleep.errors import CANNOT_START, ENVIRONMENT, QuietsleepError, environment_error
from quietsleep.study.closed import closed_to_others

# Each with the words of its example.
COMMANDS = (
    (nights.demo, "demo"),
    (begin.init, "study --centre larch --time-zone Europe/Lisbon"),
    (begin.init_centre, "demo --centre alder"),
    (nights.nightly, 'demo --every "0 2 * * *"'),
    (nights.status, "demo"),
    (begin.templates, "tables --workbook"),
    (begin.pack, "tables --study demo --centre larch"),
    (commands.check, "demo/deliveries/larch/larch-01 --study demo"),
    (commands.why, "larch-s003 --study demo"),
    (commands.look, "demo --centre larch"),
    (serving.desk, "demo --port 8400 --proxy 127.0.0.1"),
    (commands.sql, '--study demo "SELECT * FROM clean_outcomes LIMIT 5"'),
    (commands.rejudge, "demo"),
    (commands.review, "demo --blind --reader r2"),
    (
        commands.decide,
        "demo larch-s003/larch-s003-sot1#2 --reader r2 --new-reader --reject --reason leak_seen",
    ),
    (commands.queries, "demo --centre larch --open"),
    (commands.answer, 'demo 17 "The device was mended on Monday." --by r1 --new-reader'),
    (commands.withdraw, "demo --centre larch --infant larch-i007 --by r1 --reason consent"),
    (commands.register, "demo"),
    (commands.pages, "demo"),
    (serving.access, "demo --issue larch"),
    (releasing.release, "demo 2026-spring"),
    (proofs.verify, "demo/warehouse/releases/2026-spring"),
    (proofs.diff, "2026-spring current --study demo --out diff"),
    (releasing.export, "demo/warehouse/releases/2026-spring --to stata"),
    (releasing.report, "demo/warehouse/releases/2026-spring"),
    (commands.fetch, "s3://bucket/study/warehouse warehouse-copy"),
    (proofs.doctor, "demo --repair"),
)

# Commands that have another name now: whoever types the old one is told.
RENAMED = {"query": ("sql", "a query is a question that a centre has to answer")}


class Commands(TyperGroup):
    """The commands; an error with a sentence ends any of them with that sentence alone."""

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Find a command by its name; an old name is an error that says the new one."""
        if cmd_name in RENAMED:
            name, why = RENAMED[cmd_name]
            raise _stop(
                f"'quietsleep {cmd_name}' is called 'quietsleep {name}' now: {why}.", CANNOT_START
            )
        return super().get_command(ctx, cmd_name)

    def invoke(self, ctx: Any) -> Any:
        """Run the command that was asked for."""
        try:
            with closed_to_others():
                return super().invoke(ctx)
        except QuietsleepError as error:
            raise _stop(str(error), error.exit_code) from error
        except Exception as error:
            sentence = environment_error(error)
            if sentence is None:
                raise
            raise _stop(sentence, ENVIRONMENT) from error


def _stop(sentence: str, code: int) -> typer.Exit:
    typer.echo(sentence, err=True)
    return typer.Exit(code)


app = typer.Typer(
    cls=Commands,
    help="Nightly data pipeline of a multi-centre infant lung-function study.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _print_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"quietsleep {version('quietsleep')}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version and end."
        ),
    ] = False,
) -> None: ...


for _command, _words in COMMANDS:
    _name = _command.__name__.replace("_", "-")
    app.command(epilog=f"Example: quietsleep {_name} {_words}")(_command)
app.add_typer(device.app, name="device")
