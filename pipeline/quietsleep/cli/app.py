"""What every command shares: the application, the study it works on, how it stops."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

if TYPE_CHECKING:
    from quietsleep.study.study import Study


class Commands(TyperGroup):
    """The commands; what the machine puts in the way ends any of them with one sentence."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command that was asked for."""
        try:
            return super().invoke(ctx)
        except Exception as error:
            from quietsleep.errors import environment_error

            sentence = environment_error(error)
            if sentence is None:
                raise
            raise stop(sentence, SETBACK) from error


app = typer.Typer(
    cls=Commands,
    help="Nightly data pipeline of a multi-centre infant lung-function study.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

# Exit codes, also in README: what a scheduler or a script may rely on.
RED_NIGHT = 1
PROBLEMS_FOUND = 1
CANNOT_START = 2
ALREADY_RUNNING = 3
SETBACK = 4

StudyArgument = Annotated[Path, typer.Argument(help="Study folder, the one with study.toml.")]
StudyOption = Annotated[
    Path | None,
    typer.Option("--study", envvar="QUIETSLEEP_STUDY", help="Study folder [default: here or demo]"),
]


def stop(sentence: str, code: int = CANNOT_START) -> typer.Exit:
    """Print one sentence to standard error and return the exit to raise."""
    typer.echo(sentence, err=True)
    return typer.Exit(code)


def open_study(path: Path | None) -> Study:
    """Load the study named, else the one in this folder, else the demo study below it."""
    from quietsleep.study.study import StudyError, load_study

    places = [path] if path else [Path(), Path("demo")]
    found = next((p for p in places if (p / "study.toml").is_file()), places[0])
    try:
        return load_study(found.resolve())
    except StudyError as error:
        raise stop(str(error)) from error
